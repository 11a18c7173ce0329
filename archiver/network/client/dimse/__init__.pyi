from .verification import echo as echo
from .worklist import Scheduled as Scheduled
from .worklist import ask_worklist as ask_worklist
from .worklist import choose as choose
