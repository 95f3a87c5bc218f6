"""One repaired clock from what each log says of time."""
