import io
import time

from simlink.commands import progress_lines
from simlink.commands.progress_lines import ProgressLines


def test_what_is_said_comes_at_once_and_silence_is_broken():
    stream = io.StringIO()
    with ProgressLines(stream, silence=0.05, checked=0.01) as lines:
        lines.say("about 10 conversions")
        assert stream.getvalue() == "simlink: about 10 conversions\n"
        lines.stand("at 9: 5 conversions so far")
        until = time.monotonic() + 10
        while stream.getvalue().count("so far, ") < 2 and time.monotonic() < until:
            time.sleep(0.01)
    kept = stream.getvalue()
    assert kept.count("simlink: at 9: 5 conversions so far, 0 s\n") >= 2
    time.sleep(0.1)
    assert stream.getvalue() == kept


def test_no_silence_is_longer_than_ten_seconds():
    assert progress_lines._SILENCE + progress_lines._CHECKED < 10
