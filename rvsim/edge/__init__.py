"""The only way in and out of the process: the python-can port."""
