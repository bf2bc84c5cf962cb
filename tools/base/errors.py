"""What a person can put right: one line on stderr and exit code 2, never a traceback."""


class UserError(Exception):
    """One line: what is wrong, where, and what to do."""

    def __init__(self, message: object) -> None:
        super().__init__(" ".join(str(message).split()))
