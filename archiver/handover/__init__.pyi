from .order import Chosen as Chosen
from .order import Order as Order
from .order import choose as choose
from .package import Made as Made
from .package import make as make
