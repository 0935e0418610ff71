"""The stages of the pipeline, each from tables to one table."""
