"""The pages a person reads."""
