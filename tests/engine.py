"""Small builders for tests of the engine: a one-test study from plain numbers, without files."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date

from evenbench.analysis import Analysis, analyse
from evenbench.compare.comparison import Comparison
from evenbench.study.model import Study
from evenbench.study.parse import parse
from evenbench.study.readings import parse_readings

TODAY = date(2026, 11, 25)


def one_test(
    roles: Mapping[str, str],
    *,
    kind: str = "benefit",
    better: str = "higher",
    matters: str | None = "1 g",
    unit: str = "g",
    blocks: bool = False,
    scale: str = "raw",
    spread: str = "pooled",
    formula: str = "x",
    reading: str = "g",
    extra: str = "",
    test: str = "",
    baseline: str = "",
) -> Study:
    """A study of one test `t` with one result `y`, which is its one reading `x`, in grams unless said."""
    products = "".join(f'[products.{id}]\nname = "Product {id}"\nrole = "{role}"\n' for id, role in roles.items())
    references = [id for id, role in roles.items() if role == "reference"]
    margin = f', matters = "{matters}"' if matters else ""
    rest = f'scale = "{scale}", spread = "{spread}"{margin}' + (f', baseline = "{baseline}"' if baseline else "")
    return parse(
        f"""
format = 1
[study]
id = "bench"
title = "Bench"
{products}
[tests.t]
title = "T"
references = {references}
{'blocks = "day"' if blocks else ""}
{test}
readings.x = {{ unit = "{reading}" }}
results.y = {{ formula = "{formula}", unit = "{unit}", kind = "{kind}", better = "{better}", {rest} }}
{extra}
""",
        today=TODAY,
    )


def rows_of(
    data: Mapping[str, Sequence[float]], blocks: Mapping[str, Sequence[str]] | None = None
) -> list[dict[str, str]]:
    """Sheet rows: product -> values of its runs, in order; with `blocks`, the block of each."""
    return [
        {"product": id, "run": str(n + 1), "x": repr(float(value)), **({"block": blocks[id][n]} if blocks else {})}
        for id, values in data.items()
        for n, value in enumerate(values)
    ]


def analysis_of(study: Study, rows: list[dict[str, str]], *, level: float = 0.95) -> Analysis:
    """Analyse one sheet of test `t`."""
    return analyse(study, parse_readings({"t": rows}, study), level=level)


def compared(
    data: Mapping[str, Sequence[float]], *, control: str, level: float = 0.95, **declared: object
) -> Comparison:
    """The comparison of candidates in `data` with `control`, one way, on the values as they stand."""
    roles = {id: "control" if id == control else "candidate" for id in data}
    study = one_test(roles, **declared)  # type: ignore[arg-type]
    return analysis_of(study, rows_of(data), level=level).comparisons[0]
