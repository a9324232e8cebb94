"""sRGB by colour-science, an implementation that is not ours (Mansencal et al., colour-science.org)."""

from __future__ import annotations

import sys
import warnings

import numpy as np

with warnings.catch_warnings():  # it announces its optional dependencies when imported
    warnings.simplefilter("ignore")
    before = set(sys.modules)
    import colour

# Where matplotlib is missing it leaves a dummy of it behind, at which other packages stumble.
for name in set(sys.modules) - before:
    if name.split(".")[0] == "matplotlib" and getattr(sys.modules[name], "__spec__", None) is None:
        del sys.modules[name]


def decode(code):
    """Encoded 0..1 to linear light."""
    return np.asarray(colour.models.eotf_sRGB(np.asarray(code, dtype=float)))


def encode(light):
    """Linear light to encoded 0..1."""
    return np.asarray(colour.models.eotf_inverse_sRGB(np.asarray(light, dtype=float)))
