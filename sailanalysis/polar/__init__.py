"""The boat's own polar, its targets, and where one sail set gives way to another."""
