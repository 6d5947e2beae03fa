"""Where a series changed, by how much, in what, and whether process or measurement moved."""
