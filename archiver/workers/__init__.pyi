from .pool import shared_pool as shared_pool
