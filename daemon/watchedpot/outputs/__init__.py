"""Snapshots and events to the world."""
