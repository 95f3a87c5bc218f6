"""Shared by every room: units, angles, positions, series, statistics, channels, records."""
