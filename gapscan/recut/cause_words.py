"""The words for causes, and how sure one must be to use them."""

from __future__ import annotations

FITS = "fits"
SMALL, LARGE = "cut too small", "cut too large"
SHIFTED, TURNED = "sits shifted", "sits turned"
CURVED = "more loss in curved stretches"
LITTLE = "more loss because it is small"
GROWN, SHRUNK = "grown across the grain", "shrunk across the grain"
DRAWN = "drawn wrong"
ADDS_UP = "small losses and seats add up"
UNKNOWN = "can't tell from this photo"


SURE = 0.8
MATTERS_OF_TOLERANCE = 1.0 / 3.0
STANDS_OUT = 3.0
FEWEST_SEEN = 0.3
RESEAT = "seat it again and take another photo"
TURNED_PHOTO = "a second photo with sheet and frame turned by 90°"
CALIPER = "measure the piece itself with a caliper"
FEWEST_OF_A_KIND = 3
