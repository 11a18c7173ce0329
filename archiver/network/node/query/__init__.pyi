from .worklist import Visit as Visit
from .worklist import item_of as item_of
from .worklist import read_visits as read_visits
