"""Extremes of a stretch of samples, searched in parallel lanes, so that no sample waits for the one before."""

from stager.meters.peak import Samples
from stager.system.jit import sample_loop


@sample_loop
def largest_abs(part: Samples) -> float:
    """Return the largest absolute value of a stretch, (frames,); 0 where it is empty."""
    whole = len(part) - len(part) % 8
    a = b = c = d = e = f = g = h = 0.0
    for i in range(0, whole, 8):
        a, b = max(a, abs(part[i])), max(b, abs(part[i + 1]))
        c, d = max(c, abs(part[i + 2])), max(d, abs(part[i + 3]))
        e, f = max(e, abs(part[i + 4])), max(f, abs(part[i + 5]))
        g, h = max(g, abs(part[i + 6])), max(h, abs(part[i + 7]))
    for i in range(whole, len(part)):
        a = max(a, abs(part[i]))
    return max(a, b, c, d, e, f, g, h)


@sample_loop
def lowest_and_highest(part: Samples) -> tuple[float, float]:
    """Return the smallest and the largest value of a stretch, (frames,), of one frame or more."""
    whole = len(part) - len(part) % 4
    a = b = c = d = part[0]
    p = q = r = s = part[0]
    for i in range(0, whole, 4):
        a, b, c, d = min(a, part[i]), min(b, part[i + 1]), min(c, part[i + 2]), min(d, part[i + 3])
        p, q, r, s = max(p, part[i]), max(q, part[i + 1]), max(r, part[i + 2]), max(s, part[i + 3])
    for i in range(whole, len(part)):
        a, p = min(a, part[i]), max(p, part[i])
    return min(a, b, c, d), max(p, q, r, s)


@sample_loop
def largest_curvature(part: Samples) -> float:
    """Return the largest absolute second difference of a stretch, (frames,), of three frames or more."""
    bends = len(part) - 2
    whole = bends - bends % 4
    a = b = c = d = 0.0
    for i in range(0, whole, 4):
        a = max(a, abs(part[i] - 2.0 * part[i + 1] + part[i + 2]))
        b = max(b, abs(part[i + 1] - 2.0 * part[i + 2] + part[i + 3]))
        c = max(c, abs(part[i + 2] - 2.0 * part[i + 3] + part[i + 4]))
        d = max(d, abs(part[i + 3] - 2.0 * part[i + 4] + part[i + 5]))
    for i in range(whole, bends):
        a = max(a, abs(part[i] - 2.0 * part[i + 1] + part[i + 2]))
    return max(a, b, c, d)
