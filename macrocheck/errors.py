"""What a person did wrong, or what could not be done, in one sentence that says what to do next."""


class MacrocheckError(Exception):
    """Base of every error the package raises on purpose; its text is one sentence for the user."""


class InputError(MacrocheckError):
    """A file, option, mark, limits table or outline that cannot be used as it is."""


class NotFoundError(MacrocheckError):
    """The picture does not show what was asked for: no mark, no weld, no usable member surface."""


class OutputError(MacrocheckError):
    """A result could not be written; whatever stood there before is untouched."""
