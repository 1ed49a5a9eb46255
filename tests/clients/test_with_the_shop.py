"""The scripts of docs/neighbours/printers.md as printed, and the agent of job folders, against the shop itself."""

import os
import re
import shutil
import subprocess
from datetime import timedelta
from pathlib import Path

import pytest
from django.utils import timezone
from folder_agent import Agent
from printer_client import Client

from background.running import run_due
from maintenance.jobs.projection import find_waiting_printers, retry_waiting
from maintenance.models import Job, JobFile
from tests.clients.conftest import CLIENTS
from tests.farm.opening import open_farm

GUIDE = (CLIENTS.parent / "docs" / "neighbours" / "printers.md").read_text()
GCODE = "M83\nM104 S215\nM140 S60\nG1 F1200\nG0 Z0.2\n" + 20 * "G1 X100 E5\nG1 X0 E5\n"


def printed_script(name: str) -> str:
    """A block of the guide that holds these words."""
    [block] = [block for block in re.findall(r"```sh\n(.*?)```", GUIDE, re.DOTALL) if name in block]
    return block


@pytest.fixture
def farm(live_server, transactional_db, tmp_path):
    """A shop of one printer, and a host whose settings were written as the guide says."""
    [machine], token = open_farm(timezone.now() - timedelta(days=1), 1)
    script = printed_script("cat > ~/.loadworthy/settings")
    written = script.replace("https://shop.example", live_server.url).replace("lw_...", token)
    assert written.count(live_server.url) == written.count(token) == 1
    subprocess.run(["sh", "-eu", "-c", written], env={**os.environ, "HOME": str(tmp_path)}, check=True)
    assert (tmp_path / ".loadworthy" / "settings").stat().st_mode & 0o777 == 0o600
    machine.client = Client(live_server.url, token, tmp_path / ".loadworthy")
    return machine


@pytest.fixture
def run_printed(tmp_path):
    def run(name: str, *arguments: object) -> subprocess.CompletedProcess:
        path = tmp_path / name
        path.write_text(printed_script(f"# {name} "))
        path.chmod(0o700)
        command = [str(path), *map(str, arguments)]
        return subprocess.run(
            command, env={**os.environ, "HOME": str(tmp_path)}, capture_output=True, text=True
        )

    return run


def add_file(client: Client, folder: Path, text: str) -> Path:
    """A job file that the shop has read."""
    path = folder / "North" / "lamp.gcode"
    path.parent.mkdir(parents=True)
    path.write_text(text)
    agent = Agent(client, folder, settle_s=0)
    [file] = agent._list()
    agent._upload(folder.name, file)
    run_due("files")
    return path


@pytest.mark.skipif(shutil.which("curl") is None, reason="curl is not there")
def test_the_printed_hooks_stop_a_held_job_and_record_a_print(farm, run_printed, tmp_path):
    cool = add_file(farm.client, tmp_path / "cool", GCODE)
    hot = add_file(farm.client, tmp_path / "hot", GCODE.replace("S215", "S330"))
    may = run_printed("before-print.sh", farm.toolhead, cool)
    assert may.returncode == 0, may.stderr
    held = run_printed("before-print.sh", farm.toolhead, hot)
    assert held.returncode == 1 and "hold" in held.stderr
    began = timezone.now() - timedelta(hours=2)
    farm.client.started(farm.name, "17", at=began, mass_g=82, hours=2, nozzle_c=215, bed_c=60)
    farm.client.send()
    for _ in range(2):
        told = run_printed("after-print.sh", farm.name, "17", "finished", "27.913")
        assert told.returncode == 0, told.stderr
    job = Job.objects.get()
    assert job.stage == "finished" and job.start == began
    [use] = job.uses.all()
    assert use.mass_g == pytest.approx(27.913 * 1.24 * 3.14159265 * 1.75**2 / 4, abs=1e-3)


def test_the_client_answers_whether_a_job_may_start(farm):
    numbers = {"mass_g": 82, "hours": 5.5, "bed_c": 60}
    assert farm.client.may_start(farm.toolhead, nozzle_c=215, **numbers).may_start
    assert not farm.client.may_start(farm.toolhead, nozzle_c=330, **numbers).may_start
    with pytest.raises(ValueError, match="mass_g"):
        farm.client.may_start(farm.toolhead, nozzle_c=215, hours=1)


def test_a_job_of_the_folder_is_planned_and_finished(farm, tmp_path):
    for name in ("printing", "finished"):
        (tmp_path / "jobs" / farm.name / name).mkdir(parents=True)
    agent = Agent(farm.client, tmp_path / "jobs", settle_s=0)
    lamp = tmp_path / "jobs" / farm.name / "lamp.gcode"
    lamp.write_text(GCODE)
    agent.scan()
    run_due("files")
    retry_waiting(find_waiting_printers())
    assert Job.objects.get().stage == "planned"
    lamp = lamp.rename(lamp.parent / "printing" / "lamp.gcode")
    agent.scan()
    assert Job.objects.get().stage == "printing"
    lamp.with_name("lamp.gcode.json").write_text('{"metres": 0.19}')
    lamp.rename(lamp.parents[1] / "finished" / "lamp.gcode")
    agent.scan()
    job = Job.objects.get()
    assert (job.stage, job.file) == ("finished", JobFile.objects.get())
    [use] = job.uses.all()
    assert use.mass_g == pytest.approx(0.19 * 1.24 * 3.14159265 * 1.75**2 / 4, abs=1e-3)
