"""Finding what is out there: which streams a broker, port or bus carries, and which of them are a tank's.

`unpack`, `stream`, `guess` and `propose` are pure judgement; `capture` takes in what sources bring; `live`
compares it with a configuration.
"""
