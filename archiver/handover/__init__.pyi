from .order import OrderedPictures as OrderedPictures
from .order import PackageOrder as PackageOrder
from .order import choose as choose
from .package import Made as Made
from .package import make as make
