"""How long typing takes by the keystroke-level model: Card, Moran & Newell (1980), The keystroke-level model for user
performance time with interactive systems, Communications of the ACM 23, 396-410, times of its operators in figure 1.

K, a key: 0.28 s of an average typist who is no secretary (0.08 of the best, 0.50 for random letters, 1.20 of one who
does not know the keyboard). M, to prepare in the mind: 1.35 s, once for each number that is read off the meter, and
once to look the shown line over before the key that counts it. H, the hand to the keys: 0.40 s. It is an estimate:
nobody was timed, and playing the note is not in it.
"""

from __future__ import annotations

__all__ = ["typed_s"]

KEY_S, PREPARE_S, TO_THE_KEYS_S = 0.28, 1.35, 0.40


def typed_s(keys: int, numbers: int, key_s: float = KEY_S) -> float:
    """Seconds to type so many keys that are so many numbers, and to look over what is shown of them."""
    return TO_THE_KEYS_S + (numbers + 1) * PREPARE_S + keys * key_s
