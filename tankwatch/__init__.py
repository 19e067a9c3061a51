"""tankwatch: a watch over heated fish tanks, linked to their sensors."""

__version__ = "0.1.0"
