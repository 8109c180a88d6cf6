"""Evenbench: rival products against each other, on one bench, to a result that can be defended.

The packages read in the order of the job, and imports go one way, from the later stage to the earlier:

    measure/   units, uncertainty, the formula language
    study/     what is compared and how: the declared study, and the readings that were written down
    reduce.py  readings -> one outcome per run and result, with uncertainty
    compare/   outcomes -> every product against the control: intervals that hold together, verdicts
    rank/      comparisons -> placings for each buyer, in worthwhile steps
    judge/     what the figures say of claims, questions and the precautions taken
    analysis   analyse(study, readings) -> Analysis: the four stages above in one call
    record/    study folders and sheets on disk
    publish/   the results contract, the summary, the report
    cli        the command line

>>> import evenbench
>>> evenbench.__version__
'0.1.0'
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from evenbench.version import VERSION

__version__ = VERSION

if TYPE_CHECKING:
    from evenbench.analysis import Analysis, analyse
    from evenbench.record.folder import open_study
    from evenbench.record.observations import open_observations

__all__ = ["Analysis", "__version__", "analyse", "open_observations", "open_study"]


def __getattr__(name: str) -> Any:
    # Imported on first use: the command line must answer --help without loading numpy.
    if name in {"Analysis", "analyse"}:
        from evenbench import analysis

        return getattr(analysis, name)
    if name == "open_study":
        from evenbench.record.folder import open_study

        return open_study
    if name == "open_observations":
        from evenbench.record.observations import open_observations

        return open_observations
    raise AttributeError(f"module 'evenbench' has no attribute {name!r}")
