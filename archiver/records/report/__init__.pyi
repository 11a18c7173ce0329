from .report_page import write_page as write_page
from .summary import as_json as as_json
from .summary import next_steps as next_steps
from .summary import write_csv as write_csv
from .summary import write_json as write_json
from .visit_report import VisitReport as VisitReport
from .visit_report import lines_of as lines_of
from .visit_report import report_visit as report_visit
