"""Tables of the shop as files: columns, writers and readers, and what a file would change (docs/decisions/100-files.md)."""
