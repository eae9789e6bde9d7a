"""Compare a pencil drawing with its reference photo and say what to fix, in millimetres on the paper."""

__version__ = "0.1.0"

__all__ = ["Report", "__version__", "check"]


def __getattr__(name: str):
    # Heavy imports wait until they are used, so that `featurediff --help` answers at once.
    if name == "check":
        from featurediff.comparison import check

        return check
    if name == "Report":
        from featurediff.records import Report

        return Report
    raise AttributeError(name)
