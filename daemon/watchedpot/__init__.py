"""Watched Pot: the thermal account of the adhesive in a hot-melt dispense cell."""

__version__ = "0.1.0"
