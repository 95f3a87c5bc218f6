"""Files opened safely: found, unpacked, limited."""
