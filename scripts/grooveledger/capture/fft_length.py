"""Lengths that are transformed quickly, for what should not import scipy to find them."""


def fast_length(least: int) -> int:
    """Return the smallest product of powers of 2, 3 and 5 that is no less than `least`."""
    best = 1 << max(0, least - 1).bit_length()
    fives = 1
    while fives < best:
        threes = fives
        while threes < best:
            twos = threes << max(0, -(-least // threes) - 1).bit_length()
            best = min(best, twos)
            threes *= 3
        fives *= 5
    return best
