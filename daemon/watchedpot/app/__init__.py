"""The room that knows the others: clock, configuration, tasks, commands."""
