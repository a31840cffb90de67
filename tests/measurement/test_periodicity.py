"""A period in readings that show no single events."""

import math

import numpy as np
import pytest
from scipy.signal import lfilter
from scipy.special import fdtrc

from benchrig.measurement.periodicity import RISK, find_wave

STEP_S = 0.05


def times(length_s=60.0):
    return STEP_S * np.arange(1, round(length_s / STEP_S) + 1)


def sawtooth(at_s, period_s, share=0.1):
    return share * (0.5 - at_s / period_s % 1.0)


@pytest.mark.parametrize("period_s", [0.3, 0.71, 2.0, 4.3])
@pytest.mark.parametrize("sigma", [0.001, 0.05])
def test_the_period_and_its_uncertainty(period_s, sigma):
    errors = []
    for seed in range(10):
        at_s = times()
        noise = np.random.default_rng(seed).normal(0.0, sigma, at_s.size)
        wave = find_wave(at_s, 1.0 + sawtooth(at_s, period_s) + noise)
        assert wave is not None, seed
        assert wave.chance < RISK
        errors.append((wave.period_s - period_s) / wave.uncertainty_s)
        # The fundamental of a sawtooth of height 1 is 1/pi (its Fourier series), less by what one
        # reading averages.
        assert wave.amplitude_A == pytest.approx(0.1 / math.pi, rel=0.1 + 2.0 * sigma), seed
    # 10 of them: chi-square up to 29.6 in 999 of 1,000 cases (tables, from memory).
    assert sum(error**2 for error in errors) < 29.6


def test_the_wave_is_what_was_put_in():
    at_s = times()
    wave = find_wave(at_s, 1.0 + 0.1 * np.cos(2.0 * np.pi * (at_s - STEP_S / 2.0 - 0.4) / 1.7))
    assert wave is not None
    # A reading stands for its aperture, whose middle is half a step before its end.
    assert wave.at(np.array([0.4]))[0] == pytest.approx(0.1, rel=0.02)
    assert (wave.trough_s - 0.4 - 0.85) % 1.7 == pytest.approx(0.0, abs=0.01) or (
        wave.trough_s - 0.4 - 0.85
    ) % 1.7 == pytest.approx(1.7, abs=0.01)
    assert all(abs(each) < 0.01 * wave.amplitude_A for each in wave.harmonics_A[1:])


def test_the_longest_of_equally_strong_ones_is_the_period():
    at_s = times()
    spikes = np.where(np.arange(at_s.size) % 40 == 7, 1.0, 0.0)  # every 2 s, and 1 s, 0.67 s ...
    noise = np.random.default_rng(3).normal(0.0, 0.01, at_s.size)
    wave = find_wave(at_s, spikes + noise, near=(1.0, 0.05))
    assert wave is not None
    assert wave.period_s == pytest.approx(2.0, rel=1e-3)
    assert not wave.smooth


def test_the_chance_is_that_of_an_f_distribution():
    at_s = times()
    noise = np.random.default_rng(5).normal(0.0, 0.1, at_s.size)
    wave = find_wave(at_s, 0.1 * np.sin(2.0 * np.pi * at_s / 2.0) + noise)
    assert wave is not None
    # From its closed form back to F and through scipy's.
    free = int((60.0 - wave.period_s) / wave.period_s) - 1
    significance = free * (wave.chance ** (-1.0 / free) - 1.0)
    assert fdtrc(2.0, 2.0 * free, significance) == pytest.approx(wave.chance, rel=1e-6)


def pink(random, size):
    frequencies = np.fft.rfftfreq(size)
    frequencies[0] = 1.0
    spectrum = np.fft.rfft(random.normal(size=size)) / np.sqrt(frequencies)
    return np.fft.irfft(spectrum, size)


NOISES = {
    "white": lambda random, size: random.normal(size=size),
    "pink": pink,
    "correlated": lambda random, size: lfilter([1.0], [1.0, -0.99], random.normal(size=size)),
    "walk": lambda random, size: np.cumsum(random.normal(size=size)),
    "telegraph": lambda random, size: (np.cumsum(random.random(size) < 0.02) % 2).astype(float),
    "decay": lambda random, size: 1e3 * np.exp(-np.arange(size) / 60.0) + random.normal(size=size),
}


@pytest.mark.parametrize("kind", NOISES)
def test_noise_has_no_period(kind):
    seen = 0
    for seed in range(100):
        random = np.random.default_rng(seed)
        at_s = times(float(random.uniform(8.0, 60.0)))
        period_s = float(random.uniform(0.3, 4.0))
        noise = NOISES[kind](random, at_s.size)
        seen += find_wave(at_s, noise, (period_s, 0.05)) is not None
    # Of 100 at 1 in 1,000: more than one in 1 of 200 cases.
    assert seen <= 1


@pytest.mark.parametrize("readings", [[], [1.0] * 5, [1.0] * 400, list(np.linspace(0.0, 1.0, 400))])
def test_what_does_not_wave_at_all(readings):
    at_s = STEP_S * np.arange(1, len(readings) + 1)
    assert find_wave(at_s, np.array(readings), (1.0, 0.05)) is None
