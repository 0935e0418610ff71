"""Fit flights of the ball to image points: arcs singly and rallies jointly. Pure computation."""
