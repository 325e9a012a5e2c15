"""Protection: what may open the relay, and why."""
