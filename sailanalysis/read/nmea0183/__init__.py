"""NMEA 0183 sentences: found, checked, read, put in time."""
