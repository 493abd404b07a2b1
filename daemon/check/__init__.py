"""`dewlid check`: config, machine, probes, record and outlets, each finding with what to do."""
