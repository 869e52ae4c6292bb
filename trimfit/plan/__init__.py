"""The planner: the belief about one reed, and the next step."""
