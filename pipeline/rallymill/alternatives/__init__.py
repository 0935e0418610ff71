"""The flights that a stroke might have had: other directions and depths, with their spread."""
