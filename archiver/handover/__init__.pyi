from .masks import mask_code as mask_code
from .masks import masked_preview as masked_preview
from .order import OrderedPictures as OrderedPictures
from .order import PackageOrder as PackageOrder
from .order import preview_package as preview_package
from .package import Package as Package
from .package import hand_over as hand_over
from .quasi_identifiers import risks_of as risks_of
