"""Every case: lines that stand still, lines that move."""

from steady import STEADY
from switching import SWITCHING

CASES = [*STEADY, *SWITCHING]
