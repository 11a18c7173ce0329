from .worklist import WorklistRow as WorklistRow
from .worklist import item_of as item_of
from .worklist import read_visits as read_visits
