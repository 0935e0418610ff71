"""Its presence puts this folder on the import path, so that tests share ``films``."""
