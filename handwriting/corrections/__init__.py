"""What a person puts right: kept apart from what the program found, with who and when."""
