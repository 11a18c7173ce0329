from .correction import Amended as Amended
from .correction import amend as amend
from .record_query import QueryAnswer as QueryAnswer
from .record_query import query as query
from .tooth_comparison import ComparedTooth as ComparedTooth
from .tooth_comparison import ComparisonRequest as ComparisonRequest
from .tooth_comparison import compare as compare
