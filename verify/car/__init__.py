"""What law and standards say of a car's own data."""
