"""What scipy has as well, against scipy."""

from __future__ import annotations

import numpy as np
import scipy.fft
import scipy.special

from labkit.core.by_numpy import bessel_ratio, beta_shares, elliptic_integrals, fast_length


def test_elliptic_integrals_are_those_of_the_library():
    m = np.concatenate([-np.logspace(-8, 4, 2000), np.linspace(0, 1, 4001), 1 - np.logspace(-15, -1, 500)])
    first, second = elliptic_integrals(m)
    # a few roundings of the mean; E loses one more digit where K, which it is multiplied by, is large
    np.testing.assert_allclose(first, scipy.special.ellipk(m), rtol=2e-15)
    np.testing.assert_allclose(second, scipy.special.ellipe(m), rtol=3e-14)
    assert np.all(np.isnan(elliptic_integrals(np.array([1.5]))))


def test_legendres_relation_holds():
    m = np.linspace(0.01, 0.99, 99)
    (K, E), (K1, E1) = elliptic_integrals(m), elliptic_integrals(1 - m)
    np.testing.assert_allclose(E * K1 + E1 * K - K * K1, np.pi / 2, rtol=1e-14)  # some ten roundings


def test_the_ratio_of_bessel_functions_is_that_of_the_library_on_both_sides_of_its_seam():
    z = np.concatenate([np.logspace(-9, 4, 2000), np.linspace(29.9, 30.1, 101)]) * np.exp(-0.25j * np.pi)
    wanted = scipy.special.jve(1, z) / scipy.special.jve(0, z)
    np.testing.assert_allclose(bessel_ratio(z), wanted, rtol=1e-14)  # some ten roundings
    assert bessel_ratio(np.zeros(3)).tolist() == [0, 0, 0]


def test_lengths_of_fast_transforms_are_those_of_the_library():
    for least in (*range(1, 1200), 48_001, 99_991, 481_201, 1_234_567):
        assert fast_length(least) == scipy.fft.next_fast_len(least, real=True)


def test_shares_of_a_beta_distribution_are_those_of_the_library():
    for count in (256, 320):
        for part in (0.025, 0.5, 0.975):
            a, b = (count + 1) * part, (count + 1) * (1 - part)
            wanted = np.diff(scipy.special.betainc(a, b, np.arange(count + 1) / count))
            # where the density starts with a power that is no whole number, the first part's quadrature is the worst
            np.testing.assert_allclose(beta_shares(a, b, count), wanted, rtol=0, atol=1e-13)
