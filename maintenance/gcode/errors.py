from typing import Any

from spools.statements import Statement


class GcodeError(Exception):
    """A file that is no job, or may not be read: a statement whose sentence says what to do."""

    def __init__(self, code: str, **values: Any) -> None:
        super().__init__(code)
        self.statement = Statement(f"job_file.{code}", values)

    def __str__(self) -> str:
        return self.statement.sentence
