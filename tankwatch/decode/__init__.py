"""Bytes in, readings or a counted refusal out. Pure: no threads, no files, no clock of its own.

`decoder.Decoder` does the whole step for the channels of one topic or port; below it `senml`, `pointer`,
`scalar`, `lines` and `w1_slave` each know one form and raise `Refused` for what they cannot take.
"""

from tankwatch.decode.refused import Reason, Refused

__all__ = ["Reason", "Refused"]
