from .backup_run import BackupReport as BackupReport
from .backup_run import back_up as back_up
from .restoration import restore as restore
