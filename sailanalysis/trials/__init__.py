"""What a change of trim, sails, boards or load did to the speed."""
