from .rendering import Rendition as Rendition
from .rendering import render as render
