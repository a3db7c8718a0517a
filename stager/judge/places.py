"""Places in time, as a person reads them. Pure."""


def clock(seconds: float) -> str:
    """Give a place in minutes and seconds, to a tenth."""
    tenths = round(seconds * 10.0)
    return f"{tenths // 600}:{tenths % 600 / 10.0:04.1f}"
