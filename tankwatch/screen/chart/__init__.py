"""Charts of character cells: pure functions from series to lines, tested without a terminal."""
