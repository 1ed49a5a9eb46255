"""Registered work as Celery shows it."""

from celery import current_app

from background.queue import REGISTRY


def test_each_registered_work_is_a_celery_task_with_its_queue_and_time_limits():
    assert "maintenance.raise_reminders" in REGISTRY
    for work in REGISTRY.values():
        task = current_app.tasks[work.name]
        assert current_app.amqp.router.route({}, work.name)["queue"].name == work.queue
        assert (task.soft_time_limit, task.time_limit > work.limit_s) == (work.limit_s, True)


def test_repeated_work_has_an_entry_in_the_schedule():
    entries = current_app.conf.beat_schedule
    assert {(entry["task"], entry["schedule"]) for entry in entries.values()} == {
        (work.name, work.period) for work in REGISTRY.values() if work.period
    }
