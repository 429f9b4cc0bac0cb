"""What to add now: the plan, the ceiling, the stop and the rescue."""
