"""A core broken on purpose: one of its permissives always holds."""

from collections.abc import Callable
from typing import Any

from wakecore import rules


def always(name: str) -> Callable[[Any], tuple[dict[str, int], bool]]:
    """`rules.judge_permissives` as it is now, except for that permissive."""
    judge = rules.judge_permissives

    def judge_but_one(facts: Any) -> tuple[dict[str, int], bool]:
        judged = {**judge(facts)[0], name: 1}
        return judged, 0 not in judged.values()

    return judge_but_one
