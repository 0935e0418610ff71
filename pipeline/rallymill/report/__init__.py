"""What people look at: match pages, drawings of points, overlays."""
