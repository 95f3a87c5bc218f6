"""The order of the work, the published tables, and the command line."""
