"""The season dataset."""
