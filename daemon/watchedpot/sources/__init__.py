"""The wire: readings of devices as blocks."""
