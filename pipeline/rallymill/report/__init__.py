"""What people look at: match pages, diagrams, clips."""
