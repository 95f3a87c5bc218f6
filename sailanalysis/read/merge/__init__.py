"""Several loggers and files brought onto one day."""
