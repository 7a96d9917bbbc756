import os
import pty
import subprocess
import sys
import tomllib

import pytest
import typer
from typer.testing import CliRunner

from simlink import cli
from simlink.base.errors import InputError, OutputError
from simlink.commands.start import start
from simlink.scenario.loading import load
from simlink.scenario.questions import QUESTIONS

app = typer.Typer(pretty_exceptions_enable=False)
app.command()(start)

ALONE = """
import typer
from simlink.commands.start import start
app = typer.Typer(pretty_exceptions_enable=False)
app.command()(start)
app()
"""


def run(*words):
    return CliRunner().invoke(app, [str(word) for word in words])


def refused(result):
    assert isinstance(result.exception, InputError | OutputError), result.output
    line = str(result.exception)
    assert line.isprintable()
    return line


def assumed_in(path):
    return path.read_text().count("# ASSUMED: ")


def test_yes_assumes_everything_and_says_what_is_next(tmp_path):
    path = tmp_path / "first.toml"
    result = run(path, "--yes")
    assert result.exit_code == 0, result.output
    load(path)
    assert f"{assumed_in(path)} values are assumed" in result.stdout
    assert f"next: simlink run {path}" in result.stdout
    assert "from the data sheet: " not in path.read_text()


def test_every_number_is_an_option(tmp_path):
    path = tmp_path / "first.toml"
    words = [word for q in QUESTIONS for word in ("--" + q.name, q.default)]
    # With all numbers given there is nothing to ask, so nobody is needed.
    result = run(path, *words)
    assert result.exit_code == 0, result.output
    scenario = load(path)
    assumed = tmp_path / "assumed.toml"
    run(assumed, "--yes")
    # The defaults, given or assumed, are the same scenario.
    assert tomllib.loads(path.read_text()) == tomllib.loads(assumed.read_text())
    assert scenario.frame.word_bits == 18
    assert assumed_in(path) == assumed_in(assumed) - len(QUESTIONS) - 3


def test_some_numbers_and_nobody_to_ask(tmp_path):
    path = tmp_path / "first.toml"
    words = [path, "--lanes", 4, "--conversion-time", "480 ns / 500 ns / 520 ns"]
    line = refused(run(*words))
    assert "--yes" in line
    assert "--fifo-depth" in line
    assert "--lanes" not in line
    assert not path.exists()
    assert run(*words, "--yes").exit_code == 0
    assert load(path).frame.lanes == 4
    assert "# from the data sheet: low / typical / high" in path.read_text()


def test_what_cannot_work_is_said_at_once_with_the_number_at_fault(tmp_path):
    """18 bits at 50 MHz: 10 ns to the capture, of which data valid and setup may take 21."""
    path = tmp_path / "first.toml"
    result = run(path, "--yes", "--data-valid", "20 ns max")
    assert result.exit_code == 0, result.output
    assert "this cannot work: " in result.stdout
    assert "converter.data_valid" in result.stdout
    assert "--data-valid" in result.stdout
    # A cycle of 900 ns and more in a period of 400 ns.
    result = run(path, "--yes", "--force", "--sample-rate", "2.5 MSPS")
    assert "this cannot work: " in result.stdout
    assert "longer than the trigger period" in result.stdout
    # A clock too fast for the converter.
    result = run(path, "--yes", "--force", "--min-clock-period", "25 ns min")
    assert "converter.min_clock_period" in result.stdout
    fine = run(path, "--yes", "--force")
    assert "cannot work" not in fine.stdout


def told(result):
    """Return what is said that cannot work."""
    start = "this cannot work: "
    return [said[len(start) :] for said in result.stdout.splitlines() if said.startswith(start)]


def test_of_what_cannot_work_it_is_said_what_was_given_and_what_was_assumed(tmp_path):
    """18 bits take 360 ns at 50 MHz and 720 ns at 25 MHz; 3 us at most, 1.5 us on average."""
    rate = ["--sample-rate", "5 MSPS", "--conversion-time", "530 ns"]
    converter, host = told(run(tmp_path / "a.toml", "--yes", *rate))
    assert converter.startswith("the converter's cycle takes up to 890 ns, ")
    assert converter.endswith("; conversion is the most of it, 530 ns (given by --conversion-time)")
    assert host == (
        "the host's read takes 2.22 us, 2.02 us longer than the trigger period; service latency is "
        "the most of it, 1.5 us (assumed; --service-latency gives it)"
    )
    clock = ["--sample-rate", "100 kSPS", "--scheme", "forwarded clock", "--host-clock", "100 MHz"]
    setup, pulse = told(run(tmp_path / "b.toml", "--yes", *clock))
    assert setup.endswith("(assumed; --barrier-delay gives it)")
    assert pulse.endswith("(assumed; --min-pulse gives it)")
    both = [*clock, "--barrier-delay", "14 ns", "--min-pulse", "5 ns"]
    setup, pulse = told(run(tmp_path / "c.toml", "--yes", *both))
    assert setup.endswith("(given by --barrier-delay)")
    assert pulse.endswith("(given by --min-pulse)")


def test_an_extraordinary_value_is_remarked_on(tmp_path):
    result = run(tmp_path / "first.toml", "--yes", "--barrier-jitter", "4 ns")
    assert "--barrier-jitter: 4 ns rms is out of the ordinary" in result.stdout


def test_a_bad_option_writes_nothing(tmp_path):
    path = tmp_path / "first.toml"
    line = refused(run(path, "--yes", "--conversion-time", "500"))
    assert line.startswith("--conversion-time: ")
    assert list(tmp_path.iterdir()) == []


def test_an_existing_scenario_is_kept_unless_forced(tmp_path):
    path = tmp_path / "first.toml"
    path.write_text("my work")
    assert "--force" in refused(run(path, "--yes"))
    assert path.read_text() == "my work"
    assert run(path, "--yes", "--force").exit_code == 0
    load(path)


def test_a_place_that_cannot_be_written_is_told_in_one_line(tmp_path):
    (tmp_path / "file").write_text("kept")
    assert "cannot be written" in refused(run(tmp_path / "nowhere" / "first.toml", "--yes"))
    refused(run(tmp_path / "file" / "first.toml", "--yes"))
    refused(run(tmp_path, "--yes"))
    assert [entry.name for entry in tmp_path.iterdir()] == ["file"]


def at_a_terminal(path, typed, *words):
    """Run the command with a terminal as standard input; return its status and what it says."""
    leader, follower = pty.openpty()
    process = subprocess.Popen(
        [sys.executable, "-c", ALONE, str(path), *words],
        stdin=follower,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        start_new_session=True,
    )
    os.close(follower)
    try:
        os.write(leader, typed.encode())
        stdout, stderr = process.communicate(timeout=60)
    finally:
        if process.poll() is None:
            process.kill()
            process.wait()
        os.close(leader)
    return process.returncode, stdout.decode(), stderr.decode()


def test_questions_at_a_terminal(tmp_path):
    path = tmp_path / "first.toml"
    lines = {question.name: [""] for question in QUESTIONS}
    lines["conversion-time"] = ["500", "500 ns / 480 ns", "480 ns / 500 ns / 520 ns"]
    lines["fifo-depth"] = ["lots", "12"]
    # A range of delays leaves no skew to ask for.
    lines["barrier-delay"] = ["10 ns / 14 ns"]
    del lines["part-to-part-skew"]
    del lines["lanes"]
    typed = "".join(line + "\n" for answers in lines.values() for line in answers)
    status, stdout, stderr = at_a_terminal(path, typed, "--lanes", "2")
    assert status == 0, stderr
    scenario = load(path)
    assert scenario.fifo.depth == 12
    assert scenario.frame.lanes == 2
    said = stdout + stderr
    assert said.count("conversion time (") == 3
    assert said.count("FIFO depth in frames (") == 2
    assert "[480 ns / 500 ns / 520 ns]" in said
    given = path.read_text().count("# from the data sheet: ")
    # Conversion time, and a delay and a spread each way; lanes and depth are no data sheet's.
    assert given == 1 + 4
    assert path.read_text().count("# as given: ") == 2
    assert f"{assumed_in(path)} values are assumed" in stdout


def test_ctrl_c_at_a_question_writes_nothing(tmp_path, monkeypatch, capsys):
    answers = iter(["", ""])

    def answer(prompt):
        for given in answers:
            return given
        raise KeyboardInterrupt

    monkeypatch.setattr("builtins.input", answer)
    monkeypatch.setattr("sys.stdin.isatty", lambda: True, raising=False)
    monkeypatch.setattr("sys.argv", ["simlink", "start", str(tmp_path / "first.toml")])
    with pytest.raises(SystemExit) as end:
        cli.main()
    assert end.value.code == 130
    assert capsys.readouterr().err == "\nsimlink: interrupted: nothing written\n"
    assert list(tmp_path.iterdir()) == []


def test_leaving_the_questions_writes_nothing(tmp_path):
    path = tmp_path / "first.toml"
    leader, follower = pty.openpty()
    process = subprocess.Popen(
        [sys.executable, "-c", ALONE, str(path)],
        stdin=follower,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        start_new_session=True,
        bufsize=0,
    )
    os.close(follower)
    try:
        seen = b""
        os.write(leader, b"\n")
        while b"sample rate (" not in seen:
            more = (
                process.stdout.read(1)
                if seen.count(b"\n") < 2
                else os.read(process.stdout.fileno(), 4096)
            )
            assert more, process.stderr.read()
            seen += more
        os.write(leader, b"\x04")
        _, stderr = process.communicate(timeout=60)
    finally:
        if process.poll() is None:
            process.kill()
            process.wait()
        os.close(leader)
    assert process.returncode == 130
    assert b"nothing written" in stderr
    assert b"Traceback" not in stderr
    assert list(tmp_path.iterdir()) == []
