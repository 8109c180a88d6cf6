"""observations.csv of a study folder -> Observations."""

from __future__ import annotations

import os
from pathlib import Path

from evenbench.record.folder import open_text, study_folder
from evenbench.record.table import read_table
from evenbench.study.model import Study
from evenbench.study.observations import Observation, parse_observations
from evenbench.study.readings import Readings

FILE = "observations.csv"


def open_observations(folder: Path | str, study: Study, readings: Readings) -> tuple[Observation, ...]:
    """What was seen at the bench, from the folder that `open_study` gave the study and readings of.

    None where the folder holds no observations.csv, or one with a header alone.

    Raises StudyError with every mistake in the file.
    """
    path = study_folder(folder) / FILE
    if not os.path.lexists(path):
        return ()
    return parse_observations(read_table(open_text(path, FILE), FILE), study, readings)
