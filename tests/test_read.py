"""Reading logs: the tidy schema, the open encoder trace."""

from pathlib import Path

import numpy as np
import pytest

from jogtune.logs.read import InputFault, read_encoder_trace, read_log, write_log

LOGS = Path(__file__).parents[1] / "datasets" / "logs"


def test_encoder_trace_agrees_with_a_plain_unwrap() -> None:
    raw = np.loadtxt(LOGS / "encoder_trace.ssv")
    turned = np.unwrap(raw[:, 1], period=1024)
    log = read_encoder_trace(LOGS / "encoder_trace.ssv")
    ours = np.cumsum(log.rows["detents"].to_numpy())
    np.testing.assert_array_equal(ours, turned - turned[0])


def test_tidy_csv_reads_back_what_was_written(tmp_path: Path) -> None:
    log = read_encoder_trace(LOGS / "encoder_trace.ssv", detents_per_turn=100)
    write_log(log, tmp_path / "a.csv")
    again = read_log(tmp_path / "a.csv")
    assert again.rows.equals(log.rows)
    assert again.notes == log.notes
    with pytest.raises(InputFault, match="exists and is not overwritten"):
        write_log(log, tmp_path / "a.csv")
