"""Physics and chemistry of a fish tank: pure functions, units in every name, the source in every docstring.

Nothing here knows of tanks in a configuration, of the store or of the screen. Input that no water can
have (a negative volume, pH 15, NaN) raises `ValueError` with a sentence that names the quantity.
"""
