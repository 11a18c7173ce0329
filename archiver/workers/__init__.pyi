from .ahead import in_order as in_order
from .allowances import Allowance as Allowance
from .allowances import allowance as allowance
from .allowances import allowed as allowed
from .pool import GUEST as GUEST
from .pool import confined as confined
from .pool import shared_pool as shared_pool
from .worker import narrow as narrow
