"""The errors a user can meet.

    GapscanError                  one sentence: which file, what is wrong, what to do
    ├── InputError     exit 2     unusable arguments, design, frame, job or photo file
    └── PhotoError     exit 3     a readable photo that cannot support an answer

Anything else that escapes is a defect of ours.
"""

from __future__ import annotations


class GapscanError(Exception):
    """Base of every error that is reported to the user as one sentence."""

    exit_code: int = 2


class InputError(GapscanError):
    """A file or an argument that cannot be used; the message names it, the fault and the way out."""

    exit_code = 2


class PhotoError(GapscanError):
    """A photo that was read but cannot support an answer; the message names it, the measure and the way out."""

    exit_code = 3
