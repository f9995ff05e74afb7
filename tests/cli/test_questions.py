"""Ctrl-C while a question waits, and while something sounds."""

from __future__ import annotations

import signal
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from earwitness.cli import main
from earwitness.cli.record import _asking, _switch
from earwitness.cli.show import Command


def test_ctrl_c_ends_a_question_and_silences_a_take() -> None:
    with _switch() as silencer:
        with pytest.raises(KeyboardInterrupt), _asking():
            signal.raise_signal(signal.SIGINT)
        assert not silencer.pressed
        signal.raise_signal(signal.SIGINT)
        assert silencer.pressed


def test_a_question_that_is_broken_off_ends_with_130() -> None:
    @click.command(cls=Command)
    def asks() -> None:
        click.prompt("Well")

    done = CliRunner().invoke(asks, input="")
    assert done.exit_code == 130
    assert "stopped" in done.output


def test_again_without_a_take_is_refused_and_nothing_is_moved(tmp_path: Path) -> None:
    done = CliRunner().invoke(main, ["measure", "record", str(tmp_path), "--again"])
    assert done.exit_code == 2
    assert "--take ID --again" in done.output
    assert list(tmp_path.iterdir()) == []
