from .direct_store import hand_to as hand_to
from .header_cache import HeaderCache as HeaderCache
from .remote_patients import patients_at as patients_at
from .remote_patients import patients_scheduled as patients_scheduled
from .remote_query import ask as ask
from .remote_query import ask_headers as ask_headers
from .remote_retrieve import fetch_records as fetch_records
