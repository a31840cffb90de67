"""Every parser with some spoiled inputs; `scripts/fuzz_parsers.py` tries very many."""

from __future__ import annotations

import random

import pytest

from scripts.fuzz_parsers import Target, attempt, spoiled, targets

SEED, COUNT = 2, 6000


@pytest.mark.parametrize("target", targets(), ids=lambda target: target.name)
def test_only_own_errors_come_out(target: Target) -> None:
    for valid in target.valid[:1]:
        target.parse(valid)
    tried = attempt(target, round(COUNT * target.share), SEED)
    assert tried.escaped == (), f"seed {SEED}"
    assert tried.taken + tried.refused == round(COUNT * target.share)


def test_what_escapes_is_found() -> None:
    def careless(data: bytes) -> object:
        return int(data)

    tried = attempt(Target("numbers", careless, (b"12345",), 1.0), 200, SEED)
    assert tried.escaped
    assert all(isinstance(error, ValueError) for _, error in tried.escaped)


def test_inputs_are_the_same_every_time() -> None:
    made = [spoiled(b"12345", (b"abc",), random.Random(SEED)) for _ in range(2)]
    assert made[0] == made[1] != b"12345"
