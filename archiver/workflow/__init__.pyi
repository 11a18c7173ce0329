from .correction import Amended as Amended
from .correction import amend as amend
from .record_query import QueryAnswer as QueryAnswer
from .record_query import query as query
