"""Plan, fingerprints, resume and workers."""
