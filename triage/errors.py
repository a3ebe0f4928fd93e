"""Every error that bad input can raise, as one tree.

TriageError
├── ImageError         the picture can't be read, is cut short, or is beyond the limits
├── BoxError           a box has no width or no height, or lies outside its picture
├── CalibrationError   micrometres per pixel are missing, impossible or for another picture
├── WeightsError       the detector's files are missing, damaged or don't belong together
├── RecordError        a labelled set, table or record breaks its own rules
└── StorageError       a file can't be written, for instance because the disk is full

Each message is one or two sentences: what is wrong, the value received, what is allowed, what to do.
"""


class TriageError(Exception):
    """Bad input from outside; the message is fit to be shown to a person."""


class ImageError(TriageError):
    """The picture can't be read, is cut short, or is beyond the limits."""


class BoxError(TriageError):
    """A box has no width or no height, or lies outside its picture."""


class CalibrationError(TriageError):
    """Micrometres per pixel are missing, impossible or for another picture."""


class WeightsError(TriageError):
    """The detector's files are missing, damaged or don't belong together."""


class RecordError(TriageError):
    """A labelled set, table or record breaks its own rules."""


class StorageError(TriageError):
    """A file can't be written, for instance because the disk is full."""
