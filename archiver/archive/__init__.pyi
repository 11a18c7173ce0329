from .index_rebuild import rebuild as rebuild
from .query import CSV_HEADER as CSV_HEADER
from .query import Query as Query
from .query import Record as Record
from .query import RecordOrder as RecordOrder
from .query import answer as answer
from .query import harmless_row as harmless_row
