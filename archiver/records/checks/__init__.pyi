from .picture_findings import WRONG_WAY as WRONG_WAY
from .picture_findings import read_findings as read_findings
