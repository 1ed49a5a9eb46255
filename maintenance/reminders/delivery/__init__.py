"""How reminders reach people: by e-mail, webhook, browser, calendar."""
