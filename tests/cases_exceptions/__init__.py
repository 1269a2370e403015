"""Stories of exceptions: for each kind one that raises it and a near miss that does not."""
