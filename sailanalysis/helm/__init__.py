"""Who steered how: rudder, course and angle kept, against what the conditions ask for."""
