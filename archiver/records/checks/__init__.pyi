from .picture_findings import failed_sides as failed_sides
from .retention import passed_keeping_time as passed_keeping_time
