"""manage.py read_job: the facts as text and as JSON."""

import json

import pytest
from django.core.management import CommandError, call_command

JOB = "M83\nM140 S60\nM104 S210\nG0 Z0.2\nG1 X100 E5 F1200\nG1 E-0.8 F2400\nG1 E0.8\nM600\nG1 X0 E5\nM84\n"


@pytest.fixture
def told(tmp_path, capsys):
    path = tmp_path / "job.gcode"
    path.write_text(JOB)

    def run(*options: str) -> str:
        call_command("read_job", str(path), *options)
        return capsys.readouterr().out

    return run


def test_as_text(told):
    text = told("--density", "1.25")
    # 5 mm of 1.75 mm filament are 12.026 mm³.
    assert text.count("0.005 m, 0.01 cm³ at 1.75 mm, 0.02 g") == 2
    for line in (
        "spool 2, tool 0",
        "retractions 1, 200 a metre, usually 0.80 mm, longest 0.80 mm; the same filament up to 1 times",
        "layers    1 up to 0.2 mm; heights 0.2 mm (100 %)",
        "no meaning here: M84 (1)",
        "colour change (1)",
        "bed       60 °C for",
    ):
        assert line in text
    assert "cm³ at 2.85 mm;" in told("--diameter", "2.85")


def test_as_json(told):
    facts = json.loads(told("--json"))
    assert [use["filament_mm"] for use in facts["uses"]] == pytest.approx([5, 5])
    assert facts["reading"]["e_follows_g90"] is True
    assert json.loads(told("--json", "--e-apart"))["reading"]["e_follows_g90"] is False


@pytest.mark.parametrize(
    ("name", "options", "says"),
    [("gone.gcode", [], "cannot be read"), ("job.gcode", ["--diameter", "50"], "between 0.5 and 10 mm")],
)
def test_refusals(told, tmp_path, name, options, says):
    with pytest.raises(CommandError, match=says):
        call_command("read_job", str(tmp_path / name), *options)
