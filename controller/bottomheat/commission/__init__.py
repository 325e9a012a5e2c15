"""Commissioning: proving the wiring and knowing the chamber."""
