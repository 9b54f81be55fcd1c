"""Words, pictures and tables, all drawn from the one record; the only place where numbers are rounded."""
