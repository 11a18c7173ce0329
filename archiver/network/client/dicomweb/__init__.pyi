from . import connection as connection
