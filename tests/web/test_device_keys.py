"""Keys that work once."""

from __future__ import annotations

from trimfit.web.device_keys import KEY_S, Keys


def test_a_key_works_once_and_its_pass_again_and_again() -> None:
    keys = Keys()
    key = keys.new()
    device = keys.use(key)
    assert device is not None
    assert keys.use(key) is None
    assert keys.knows(device)
    assert keys.knows(device)
    assert not keys.knows(key)
    assert not keys.knows("")


def test_a_key_grows_old_but_the_first_waits() -> None:
    now = [0.0]
    keys = Keys(lambda: now[0])
    first, short, late = keys.new(lasting=True), keys.new(), keys.new()
    now[0] = KEY_S - 1.0
    assert keys.use(short) is not None
    now[0] = KEY_S + 1.0
    assert keys.use(late) is None
    assert keys.use(first) is not None


def test_no_two_keys_and_no_two_passes_are_alike() -> None:
    keys = Keys()
    some = [keys.new() for _ in range(100)]
    passes = [keys.use(key) for key in some]
    assert len({*some, *passes}) == 200
