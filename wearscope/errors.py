"""Everything that wearscope raises on purpose.

WearscopeError            a message a person can act on: what, where, what was expected, what to do
├── PhotoError            a file that cannot be used as a photo
├── CalibrationError      a scale that cannot be found, read or applied
├── LimitsError           a limits file that cannot be used
├── InputError            a fact or option that makes no sense (a length, a flute number, a reading)
└── RecordsError          records that cannot be opened, read or written

"Cannot be measured" is not an error: it is a result with a reason (see `wearscope.finding`).
"""

__all__ = ["CalibrationError", "InputError", "LimitsError", "PhotoError", "RecordsError", "WearscopeError"]


class WearscopeError(Exception):
    """Base of all deliberate errors; the text is shown to the person as it is."""


class PhotoError(WearscopeError):
    """A file that cannot be used as a photo."""


class CalibrationError(WearscopeError):
    """A scale that cannot be found in a photo, read from a file or applied to a photo."""


class LimitsError(WearscopeError):
    """A limits file that cannot be used."""


class InputError(WearscopeError):
    """A fact or an option that makes no sense."""


class RecordsError(WearscopeError):
    """Records that cannot be opened, read or written."""
