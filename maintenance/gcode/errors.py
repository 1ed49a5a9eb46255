class GcodeError(Exception):
    """A file that is no job, or may not be read. The text says what to do."""
