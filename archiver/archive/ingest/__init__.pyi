from .foreign_files import Fate as Fate
from .foreign_files import add_files as add_files
from .part10_check import check_wholeness as check_wholeness
from .session_ingest import IngestSettings as IngestSettings
from .session_ingest import PhotographStatus as PhotographStatus
from .session_ingest import Taken as Taken
from .wrapped_session import WrappedSession as WrappedSession
from .wrapped_session import wrap as wrap
