"""The uncertainty budget of a measured current: what the averaging, the settling and the meter
add to it. After the GUM (JCGM 100:2008), clause 8 and annex H."""

from __future__ import annotations

import math
from dataclasses import dataclass

from benchrig.measurement.combining import Budget
from benchrig.measurement.contributions import RECTANGULAR, Contribution, Stated, contribution
from benchrig.measurement.outcome import Outcome

BOLTZMANN_J_PER_K = 1.380649e-23
"""Exact, by the definition of the kelvin (SI brochure, 9th edition, 2019)."""


@dataclass(frozen=True)
class RangeAccuracy:
    """What is known of one range of the meter, as standard uncertainties.

    `gain`: share of the reading; `offset`: share of full scale. A limit of error from the sheet
    has been divided by sqrt(3) (GUM 4.3.7), an expanded uncertainty by its k (GUM 4.3.3);
    `divisor` says by which. Results with equal `full_scale_A` share their gain and their offset
    error. `gain_per_K`, `offset_per_K`: the same for each kelvin outside the temperatures from
    `reference_low_C` to `reference_high_C`, 23 °C ± 5 °C if not stated (common practice, no
    source).
    """

    full_scale_A: float
    gain: float
    offset: float
    count_A: float
    divisor: float = RECTANGULAR
    gain_per_K: float = 0.0
    offset_per_K: float = 0.0
    reference_low_C: float = 18.0
    reference_high_C: float = 28.0

    @property
    def where(self) -> str:
        return f"the {self.full_scale_A:g} A range"


@dataclass(frozen=True)
class Ambient:
    """The temperature around the meter, known to within `half_width_K` (a rectangle)."""

    temperature_C: float
    half_width_K: float = 0.0

    def outside_K(self, low_C: float, high_C: float) -> float:
        """Root mean square of the distance to the band from `low_C` to `high_C`, with its sign.

        An error of zero mean per kelvin, times a temperature that is itself uncertain, has
        u^2 = u(coefficient)^2 E(distance^2): the exact second moment of the product, where the
        first-order law of GUM 5.1.2 would give nothing inside the band.
        """
        middle_C = (low_C + high_C) / 2.0
        sign = math.copysign(1.0, self.temperature_C - middle_C)
        return sign * math.sqrt(
            self._mean_square_above(high_C, 1.0) + self._mean_square_above(low_C, -1.0)
        )

    def _mean_square_above(self, edge_C: float, sign: float) -> float:
        beyond_K, half_K = sign * (self.temperature_C - edge_C), self.half_width_K
        if beyond_K >= half_K:
            return beyond_K**2 + half_K**2 / 3.0
        reach_K = beyond_K + half_K
        return reach_K**3 / (6.0 * half_K) if reach_K > 0.0 else 0.0


@dataclass(frozen=True)
class ZeroTaken:
    """A zero that was measured with the board disconnected and has been subtracted.

    It is told from the next measurement of the zero by its `offset_A`: two results with the same
    zero share its error, whatever it is; zeros of two ranges were read one after the other and
    share nothing. `ambient`: when it was taken; the offset then drifts from there. Without it the
    drift is priced as if no zero had been taken.
    """

    offset_A: float
    standard_uncertainty_A: float
    dof: float = math.inf
    ambient: Ambient | None = None


def reading_budget(
    outcome: Outcome,
    accuracy: RangeAccuracy | None,
    zero: ZeroTaken | None = None,
    *,
    ambient: Ambient | None = None,
    noise_floor_A: float = 0.0,
) -> Budget:
    """The budget of a state's current, from its settling outcome and the meter's sheet.

    `zero` must already be subtracted from the readings. `noise_floor_A`: the standard deviation
    that the mean has at least, from the noise of the meter (`noise_floor`, `averaged_noise`).
    Without `accuracy` the meter's part is missing, and without `ambient` that of its temperature,
    which is for the caller to say. Raises `ValueError` if the outcome has no value.
    """
    current_A, averaging_A, dof = outcome.current_A, outcome.standard_uncertainty_A, outcome.dof
    if current_A is None or averaging_A is None or dof is None or outcome.settling_bound_A is None:
        raise ValueError(f"the outcome {outcome.kind!r} has no value, so there is no budget")
    # Few batches scatter little by luck now and then, but the mean is never known better than
    # the meter's noise allows: the floor is what the averaging lacks of it.
    lacking_A = math.sqrt(max(noise_floor_A**2 - averaging_A**2, 0.0))
    parts = [
        contribution("averaging", Stated("mean of the readings", current_A, averaging_A), dof, "A"),
        contribution(
            "settling",
            Stated("what is still to come", 0.0, outcome.settling_bound_A, divisor=RECTANGULAR),
        ),
    ]
    if noise_floor_A > 0.0:
        parts.append(contribution("noise floor", Stated("noise of the meter", 0.0, lacking_A)))
    count_A = max(outcome.count_A, accuracy.count_A if accuracy else 0.0)
    return Budget(current_A, (*parts, *_meter(current_A, count_A, accuracy, zero, ambient)))


def single_reading_budget(
    current_A: float,
    accuracy: RangeAccuracy,
    noise_A: float,
    zero: ZeroTaken | None = None,
    *,
    ambient: Ambient | None = None,
) -> Budget:
    """The budget of one reading, or of a current that is yet to be read; `noise_A` is the
    standard deviation of a reading at its aperture. `zero` and `ambient` as in `reading_budget`."""
    noise = contribution("noise", Stated("noise of the meter", 0.0, noise_A))
    return Budget(current_A, (noise, *_meter(current_A, accuracy.count_A, accuracy, zero, ambient)))


def noise_floor(shunt_ohm: float, bandwidth_Hz: float, temperature_K: float = 300.0) -> float:
    """The thermal noise current of a shunt, sqrt(4 k T B / R), in A rms (Johnson and Nyquist,
    1928): no meter with this shunt reads with less. The mean over a time t has B = 1/(2 t).

    Raises `ValueError` unless the shunt is above 0.
    """
    if not shunt_ohm > 0.0:
        raise ValueError(f"a shunt must be above 0 ohm, not {shunt_ohm!r}")
    return math.sqrt(4.0 * BOLTZMANN_J_PER_K * temperature_K * bandwidth_Hz / shunt_ohm)


def averaged_noise(noise_A: float, aperture_s: float, integrated_s: float) -> float:
    """What a meter's noise, stated for one aperture, leaves in a mean over `integrated_s`.

    As white noise, which real noise exceeds in the long run: a floor, not an estimate.
    """
    return noise_A * math.sqrt(aperture_s / integrated_s)


def _meter(
    current_A: float,
    count_A: float,
    accuracy: RangeAccuracy | None,
    zero: ZeroTaken | None,
    ambient: Ambient | None,
) -> list[Contribution]:
    # A reading lies within half a count of the current: u = count/sqrt(12) (GUM F.2.2.1).
    half_count = Stated("half a count", 0.0, count_A / 2.0, divisor=RECTANGULAR)
    parts = [contribution("resolution", half_count)]
    if accuracy is not None:
        parts += _sheet(current_A, accuracy, zero)
        if ambient is not None:
            parts += _temperature(current_A, accuracy, zero, ambient)
    if zero is not None:
        parts.append(_zero(zero, accuracy))
    return parts


def _sheet(current_A: float, accuracy: RangeAccuracy, zero: ZeroTaken | None) -> list[Contribution]:
    divisor = accuracy.divisor
    gain = Stated("gain", 1.0, accuracy.gain * divisor, "1", divisor, current_A)
    parts = [_limited("gain", gain, accuracy, "accuracy")]
    if zero is None:
        offset_A = accuracy.offset * accuracy.full_scale_A
        offset = Stated("offset", 0.0, offset_A * divisor, divisor=divisor)
        parts.append(_limited("offset", offset, accuracy, "accuracy"))
    return parts


def _temperature(
    current_A: float, accuracy: RangeAccuracy, zero: ZeroTaken | None, ambient: Ambient
) -> list[Contribution]:
    divisor = accuracy.divisor
    outside_K = ambient.outside_K(accuracy.reference_low_C, accuracy.reference_high_C)
    offset_K = outside_K
    if zero is not None and zero.ambient is not None:
        then, now = zero.ambient, ambient
        since = Ambient(now.temperature_C, math.hypot(now.half_width_K, then.half_width_K))
        offset_K = since.outside_K(then.temperature_C, then.temperature_C)
    gain = Stated(
        "gain per kelvin",
        0.0,
        accuracy.gain_per_K * divisor,
        "1/K",
        divisor,
        current_A * outside_K,
    )
    offset_A = accuracy.offset_per_K * accuracy.full_scale_A
    offset = Stated("offset per kelvin", 0.0, offset_A * divisor, "A/K", divisor, offset_K)
    return [
        _limited("temperature coefficient of the gain", gain, accuracy, "temperature"),
        _limited("temperature coefficient of the offset", offset, accuracy, "temperature"),
    ]


def _limited(name: str, stated: Stated, accuracy: RangeAccuracy, statement: str) -> Contribution:
    return contribution(
        name, stated, shared=f"{name} of {accuracy.where}", statement=f"{statement} of the meter"
    )


def _zero(zero: ZeroTaken, accuracy: RangeAccuracy | None) -> Contribution:
    where = f" on {accuracy.where}" if accuracy else ""
    shared = f"zero of {zero.offset_A!r} A{where}"
    # It was subtracted: the sensitivity is -1.
    stated = Stated("zero", zero.offset_A, zero.standard_uncertainty_A, sensitivity=-1.0)
    return contribution("zero", stated, zero.dof, "A", shared=shared)
