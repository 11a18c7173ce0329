from .login import why_no_pages as why_no_pages
from .users import roles as roles
from .users import users_of as users_of
