"""The agent of job folders: where a file is, there its job is; each step is reported once."""

import json
import os
import shutil

import pytest
from folder_agent import Agent
from printer_client import NoAnswer


@pytest.fixture
def jobs(tmp_path):
    for name in ("", "printing", "finished", "failed"):
        (tmp_path / "jobs" / "North" / name).mkdir(parents=True, exist_ok=True)
    return tmp_path / "jobs"


@pytest.fixture
def agent(client, jobs):
    return Agent(client, jobs, settle_s=0)


def put(path, text="G1 X1 E1\n"):
    path.write_text(text)
    return path


def test_a_job_goes_from_folder_to_folder(agent, shop, jobs):
    lamp = put(jobs / "North" / "lamp.gcode")
    for folder in ("printing", "finished"):
        agent.scan()
        agent.scan()
        lamp = lamp.rename(jobs / "North" / folder / lamp.name)
    put(lamp.with_name("lamp.gcode.json"), json.dumps({"metres": 27.9, "good_parts": 3}))
    agent.scan()
    agent.scan()
    planned, started, finished = shop.events.values()
    assert shop.kinds == ["planned", "started", "finished"]
    assert planned["printer"] == "North" and planned["name"] == "lamp.gcode" and len(planned["file"]) == 64
    assert {planned["job"]} == {started["job"], finished["job"]}
    assert (finished["metres"], finished["good_parts"]) == (27.9, 3)
    assert [path for path, _, _ in shop.requests].count("/api/v1/job-files") == 1


def test_a_note_ends_a_job_whose_file_stays(agent, shop, jobs):
    put(jobs / "North" / "lamp.gcode")
    agent.scan()
    note = put(jobs / "North" / "lamp.gcode.json", '{"resul')
    agent.scan()
    assert shop.kinds == ["planned"]
    put(note, '{"result": "failed", "reason": "It came off."}')
    agent.scan()
    agent.scan()
    assert shop.kinds == ["planned", "failed"]


def test_the_same_file_put_there_again_is_another_job(agent, shop, jobs):
    lamp = put(jobs / "North" / "lamp.gcode")
    agent.scan()
    done = lamp.rename(jobs / "North" / "finished" / "lamp.gcode")
    agent.scan()
    shutil.copy2(done, lamp)
    agent.scan()
    assert shop.kinds == ["planned", "finished", "planned"]
    assert len({event["job"] for event in shop.events.values()}) == 2


def test_a_file_counts_when_it_no_longer_grows(client, shop, jobs):
    agent = Agent(client, jobs, settle_s=1000)
    lamp = put(jobs / "North" / "lamp.gcode")
    # A copy may bring the time of its original.
    os.utime(lamp, (0, 0))
    agent.scan()
    agent.scan()
    assert shop.requests == []


def test_what_was_over_before_is_not_reported(client, shop, jobs):
    put(jobs / "North" / "finished" / "old.gcode")
    agent = Agent(client, jobs, settle_s=0)
    agent.scan()
    put(jobs / "North" / "finished" / "unknown.gcode")
    agent.scan()
    assert shop.requests == []


def test_without_an_answer_a_job_comes_later_and_once(client, agent, shop, jobs):
    shop.moods = ["lost"]
    put(jobs / "North" / "lamp.gcode")
    with pytest.raises(NoAnswer):
        agent.scan()
    # The agent was started again meanwhile.
    again = Agent(client, jobs, settle_s=0)
    again.scan()
    again.scan()
    uploads = [headers for path, headers, _ in shop.requests if path == "/api/v1/job-files"]
    assert len({headers["Idempotency-Key"] for headers in uploads}) == 1
    assert shop.kinds == ["planned"]


def test_a_file_that_the_shop_refuses_is_not_planned(agent, shop, jobs):
    shop.moods = [400]
    put(jobs / "North" / "lamp.gcode")
    agent.scan()
    agent.scan()
    assert shop.kinds == [] and len(shop.requests) == 1


def test_a_share_that_is_away_ends_no_job(agent, shop, jobs):
    lamp = put(jobs / "North" / "lamp.gcode")
    agent.scan()
    away = jobs.rename(jobs.with_name("away"))
    agent.scan()
    away.rename(jobs)
    agent.scan()
    assert shop.kinds == ["planned"] and lamp.exists()
