"""Sensor errors estimated from the sailing itself, and what cannot be believed."""
