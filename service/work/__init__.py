"""Long work: many small tasks, by processes of this machine or by the machines of a cluster."""
