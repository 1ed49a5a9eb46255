"""Parts and jobs as files, and the list of all kinds of files."""
