from .peer_settings import read_peers as read_peers
from .peers import DimsePeer as DimsePeer
from .peers import Peer as Peer
from .peers import WebPeer as WebPeer
from .peers import find_dimse_peer as find_dimse_peer
from .peers import find_peer as find_peer
