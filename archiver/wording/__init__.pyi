from .catalogue import FIRST as FIRST
from .catalogue import Words as Words
from .catalogue import words_of as words_of
from .text import Text as Text
from .text import frozen_values as frozen_values
