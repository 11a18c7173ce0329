from .report_files import json_lines as json_lines
from .report_files import write_report as write_report
from .summary import AuditSummary as AuditSummary
from .summary import next_steps as next_steps
from .summary import summarise as summarise
from .visit_report import VisitReport as VisitReport
from .visit_report import lines_of as lines_of
from .visit_report import report_visit as report_visit
