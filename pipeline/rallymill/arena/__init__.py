"""The rally simulator and renderer that give video with known truth."""
