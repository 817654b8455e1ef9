"""A simulated dispense cell: its own physics, controllers, faults and real servers."""
