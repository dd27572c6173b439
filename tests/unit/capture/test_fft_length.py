"""Lengths of transforms, against scipy's."""

import scipy.fft

from grooveledger.capture.fft_length import fast_length


def test_lengths_are_those_of_scipy():
    for least in [*range(1, 3000), 99_991, 1_234_567, 2**20, 2**20 + 1]:
        assert fast_length(least) == scipy.fft.next_fast_len(least, real=True)
