from .control_channel import ControlChannel as ControlChannel
from .served_archive import ServedArchive as ServedArchive
