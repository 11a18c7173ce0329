"""Is each patient's photographic record complete, correct and intact?

`rule_reading` and `episodes` read what ought to be, `reading` and `examining` what is there;
the checks are pure functions over both; `audit` runs them and `report` tells the outcome.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
