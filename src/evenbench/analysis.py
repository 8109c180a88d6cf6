"""analyse(study, readings) -> Analysis: reduce, compare, rank and judge, in one call.

Everything published is computed here once. The command line, the report, a notebook and an archive all show
the same value; none computes a figure of its own. No file, clock, socket or unseeded random number is used.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from evenbench.compare.comparison import Comparison, compare
from evenbench.compare.derived import Derived, derive
from evenbench.judge.claims import ClaimJudged, judge_claims
from evenbench.judge.precautions import Precautions, precautions_of, precautions_of_study
from evenbench.judge.questions import Answer, answer_questions
from evenbench.measure.frozen import Frozen
from evenbench.rank.placing import Placing, rank
from evenbench.rank.plain import PlainTable, plain_table
from evenbench.rank.price import Prices, prices
from evenbench.reduce import reduce, without_outcome
from evenbench.study.guards import Doubt, guards
from evenbench.study.model import Study
from evenbench.study.observations import Observation, departures
from evenbench.study.readings import NotUsed, Readings
from evenbench.version import VERSION


@dataclass(frozen=True, kw_only=True, eq=False)
class Analysis(Frozen):
    """Everything found in one study.

    comparisons  one per result, in study order; each holds its outcomes
    derived      results computed from levels of others, in study order
    precautions  per result, in the same order, and `study_precautions` for the whole
    not_used     rows, columns, cells and runs that no figure rests on
    doubts       figures that should be looked at again; all are used as they stand
    engine       version that computed it
    """

    study: Study
    readings: Readings
    observations: tuple[Observation, ...]
    comparisons: tuple[Comparison, ...]
    derived: tuple[Derived, ...]
    precautions: tuple[Precautions, ...]
    study_precautions: Precautions
    prices: Prices | None
    placings: tuple[Placing, ...]
    plain_table: PlainTable | None
    claims: tuple[ClaimJudged, ...]
    answers: tuple[Answer, ...]
    not_used: tuple[NotUsed, ...]
    doubts: tuple[Doubt, ...]
    engine: str

    def comparison(self, result: str) -> Comparison:
        """The comparison of the result named "test.result".

        Raises KeyError where the study has none of this name.
        """
        return {c.result.name: c for c in self.comparisons}[result]


def analyse(
    study: Study, readings: Readings, observations: Sequence[Observation] = (), *, level: float = 0.95
) -> Analysis:
    """Compute everything that can be said of a study from its readings.

    observations  what was seen at the bench; those that changed the procedure are told beside the precautions
    level         at which the intervals of one family hold together

    The same study and readings give the same Analysis, whatever the order of rows.
    """
    outcomes = reduce(study, readings)
    comparisons = compare(study, outcomes, level=level)
    costs = prices(study)
    placings = rank(study, readings, comparisons, costs)
    precautions = tuple(precautions_of(study, o, departures(observations, o.test)) for o in outcomes)
    titles = {test.id: test.title for test in study.tests}
    judged = [(titles[o.test], p) for o, p in zip(outcomes, precautions, strict=True) if o.result.kind != "info"]
    return Analysis(
        study=study,
        readings=readings,
        observations=tuple(observations),
        comparisons=comparisons,
        derived=derive(study, comparisons, level=level),
        precautions=precautions,
        study_precautions=precautions_of_study(judged),
        prices=costs,
        placings=placings,
        plain_table=plain_table(study, comparisons, placings),
        claims=judge_claims(study, comparisons),
        answers=answer_questions(study, comparisons, placings),
        not_used=readings.not_used + without_outcome(outcomes),
        doubts=guards(study, readings),
        engine=VERSION,
    )
