from .control_channel import ControlChannel as ControlChannel
from .malloc_arenas import share_arenas as share_arenas
from .served_archive import ServedArchive as ServedArchive
from .supervisor import Supervisor as Supervisor
from .supervisor import given_sockets as given_sockets
from .unit_files import unit_files as unit_files
