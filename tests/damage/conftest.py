"""The counts of all damaged files, from every worker, at the end of the run."""

from __future__ import annotations

from collections import Counter

import pytest

from tests.damage.harness import Tally

NAME = "damaged files"


@pytest.hookimpl(trylast=True)
def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Print what became of the files."""
    whole = Tally(Counter())
    for reports in terminalreporter.stats.values():
        for report in reports:
            if getattr(report, "when", "") == "call":
                for name, counts in report.user_properties:
                    if name == NAME:
                        whole.join(counts)
    if whole.words:
        terminalreporter.write_sep("-", NAME)
        terminalreporter.write_line(str(whole))
