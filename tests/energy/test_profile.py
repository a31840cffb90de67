"""What a profile says of the time, and what of it is impossible."""

from __future__ import annotations

import pytest

from benchrig.energy import Mode, Profile, Use, quantity


def event(duration_s: float, interval_s: float, within_s: float = 0.0, name: str = "awake") -> Use:
    return Use(
        name, duration=quantity("d", duration_s, within_s), interval=quantity("i", interval_s)
    )


def share(value: float, within: float = 0.0, name: str = "awake") -> Use:
    return Use(name, share=quantity("s", value, within))


def profile(*uses: Use, **about: float) -> Profile:
    return Profile("p", (Mode("year", uses, **about),))  # type: ignore[arg-type]


def test_the_rest_is_what_is_left() -> None:
    made = profile(event(3.0, 60.0), share(0.2, name="idle"), Use("sleep"))
    (mode,) = made.modes
    values = {name: budget.value for name, budget in made.quantities.items()}
    assert mode.times(values) == pytest.approx([0.05, 0.2, 0.75], rel=1e-12)


def test_an_average_rate_takes_as_long_as_an_interval() -> None:
    by_rate = Use("awake", duration=quantity("d", 3.0), rate=quantity("r", 1 / 60))
    made = profile(by_rate, Use("sleep"))
    values = {name: budget.value for name, budget in made.quantities.items()}
    assert made.modes[0].times(values)[0] == pytest.approx(0.05, rel=1e-12)


def test_a_charge_takes_no_time() -> None:
    made = profile(Use("wake", "charge", rate=quantity("r", 2.0)), Use("sleep"))
    values = {name: budget.value for name, budget in made.quantities.items()}
    assert made.modes[0].times(values) == [2.0, 1.0]
    assert (made.states, made.charges) == (("sleep",), ("wake",))


@pytest.mark.parametrize(
    ("uses", "where", "part"),
    [
        ((event(61.0, 60.0), Use("sleep")), "uses.0.duration", "does not end before the next"),
        ((event(59.0, 60.0, 2.0), Use("sleep")), "uses.0.duration", "with their tolerances"),
        (
            (
                Use("awake", duration=quantity("d", 2.0), rate=quantity("r", 0.6)),
                Use("sleep"),
            ),
            "uses.0.duration",
            "overlap",
        ),
        ((share(0.7), share(0.4, name="b"), Use("sleep")), "uses", "take 110 %"),
        ((event(30.0, 60.0), event(31.0, 60.0, name="b"), Use("sleep")), "uses", "overlap"),
        ((share(0.5, 0.1), share(0.45, name="b"), Use("sleep")), "uses", "take 105 %"),
        ((share(0.7), share(0.2, name="b")), "uses", "take 90 %"),
        ((Use("sleep"), Use("doze")), "uses.1.rest", "a second rest"),
    ],
)
def test_what_is_impossible_is_told_with_its_place(
    uses: tuple[Use, ...], where: str, part: str
) -> None:
    with pytest.raises(ValueError, match=f"modes.0.{where}: .*{part}"):
        profile(*uses)


def test_weights_sum_to_all_of_the_year() -> None:
    modes = [Mode(name, (Use("sleep"),), weight) for name, weight in (("a", 0.5), ("b", 0.4))]
    with pytest.raises(ValueError, match=r"modes.1.weight: .*sum to 90 %.*must sum to 100 %"):
        Profile("p", tuple(modes))


def test_shares_of_exactly_all_need_no_rest() -> None:
    assert profile(share(0.75), share(0.25, name="b")).states == ("awake", "b")
    assert profile(share(1.0)).states == ("awake",)
