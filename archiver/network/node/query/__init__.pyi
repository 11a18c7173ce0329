from .visit_table import WorklistRow as WorklistRow
from .visit_table import read_visits as read_visits
from .worklist import item_of as item_of
