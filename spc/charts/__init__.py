"""Control charts, one family a file."""
