"""Pages, one file each, and the parts of the larger ones."""
