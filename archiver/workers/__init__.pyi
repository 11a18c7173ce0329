from .allowances import allowance as allowance
from .pool import GUEST as GUEST
from .pool import confined as confined
from .pool import shared_pool as shared_pool
from .worker import narrow as narrow
