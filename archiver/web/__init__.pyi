from .app import SiteMaker as SiteMaker
from .settings import PagesSettings as PagesSettings
from .settings import pages_settings_of as pages_settings_of
