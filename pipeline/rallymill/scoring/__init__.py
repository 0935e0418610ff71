"""Accuracy of tables against truth."""
