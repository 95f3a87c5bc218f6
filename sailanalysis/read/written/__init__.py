"""What a person writes: boat file and crew log, tanks filled."""
