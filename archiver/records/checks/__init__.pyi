from .picture_findings import failed_sides as failed_sides
from .retention import contact_of as contact_of
from .retention import keeping_ends as keeping_ends
from .retention import passed_keeping_time as passed_keeping_time
