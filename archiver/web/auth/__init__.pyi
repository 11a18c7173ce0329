from .login import why_no_pages as why_no_pages
