"""The description of an installation and its reader."""
