"""Whether the judges see anything: for each rule a copy of the service that breaks it, and stories in which its
judge must find that. `python -m tests.simulation.mutants` runs all twelve."""
