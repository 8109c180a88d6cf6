"""analyse(study, readings) -> Analysis: reduce, compare, rank and judge, in one call.

Everything published is computed here once. The command line, the report, a notebook and an archive all show
the same value; none computes a figure of its own. No file, clock, socket or unseeded random number is used.
"""

from __future__ import annotations

from dataclasses import dataclass

from evenbench.compare.comparison import Comparison, compare
from evenbench.judge.claims import ClaimJudged, judge_claims
from evenbench.judge.precautions import Precautions, precautions_of, precautions_of_study
from evenbench.judge.questions import Answer, answer_questions
from evenbench.measure.frozen import Frozen
from evenbench.rank.placing import Placing, rank
from evenbench.rank.price import Prices, prices
from evenbench.reduce import reduce, without_outcome
from evenbench.study.model import Study
from evenbench.study.readings import NotUsed, Readings
from evenbench.version import VERSION


@dataclass(frozen=True, kw_only=True, eq=False)
class Analysis(Frozen):
    """Everything found in one study.

    comparisons  one per result, in study order; each holds its outcomes
    precautions  per result, in the same order, and `study_precautions` for the whole
    not_used     rows, columns, cells and runs that no figure rests on
    engine       version that computed it
    """

    study: Study
    readings: Readings
    comparisons: tuple[Comparison, ...]
    precautions: tuple[Precautions, ...]
    study_precautions: Precautions
    prices: Prices | None
    placings: tuple[Placing, ...]
    claims: tuple[ClaimJudged, ...]
    answers: tuple[Answer, ...]
    not_used: tuple[NotUsed, ...]
    engine: str

    def comparison(self, result: str) -> Comparison:
        """The comparison of the result named "test.result".

        Raises KeyError where the study has none of this name.
        """
        return {c.result.name: c for c in self.comparisons}[result]


def analyse(study: Study, readings: Readings, *, level: float = 0.95) -> Analysis:
    """Compute everything that can be said of a study from its readings.

    level  at which the intervals of one family hold together

    The same study and readings give the same Analysis, whatever the order of rows.
    """
    outcomes = reduce(study, readings)
    comparisons = compare(study, outcomes, level=level)
    costs = prices(study)
    precautions = tuple(precautions_of(study, o) for o in outcomes)
    judged = [(o.test, p) for o, p in zip(outcomes, precautions, strict=True) if o.result.kind != "info"]
    return Analysis(
        study=study,
        readings=readings,
        comparisons=comparisons,
        precautions=precautions,
        study_precautions=precautions_of_study(judged),
        prices=costs,
        placings=rank(study, readings, comparisons, costs),
        claims=judge_claims(study, comparisons),
        answers=answer_questions(study, comparisons),
        not_used=readings.not_used + without_outcome(outcomes),
        engine=VERSION,
    )
