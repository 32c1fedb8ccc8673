"""What a fixed camera was taught: its light, lens and noise, and this shop's colours.

`learn` and `blank` make a teaching; they import the detect stage, which uses one, so they are not
offered from here.
"""

from .file import load_teaching, write_teaching
from .record import TaughtPanel, Teaching

__all__ = ["TaughtPanel", "Teaching", "load_teaching", "write_teaching"]
