"""The pure room: arrays and frozen dataclasses in, the same out."""
