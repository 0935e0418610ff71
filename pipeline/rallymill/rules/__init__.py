"""Rules: pure functions of shot and track tables that return findings with evidence."""
