"""What every check is made of, how checks are found and run, and what explains a finding."""
