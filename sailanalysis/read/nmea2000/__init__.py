"""NMEA 2000 as text: frames joined, fields read, put in time."""
