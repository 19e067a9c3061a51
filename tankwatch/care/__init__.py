"""The care of a tank: the sums before a visit, the judgement of tests and observations, the routine.

Pure functions that return frozen plans; every plan carries what went in, what was assumed, the working and
its cautions. Nothing here reads a clock, a file or the store. Nonsense raises `UsageError`.
"""
