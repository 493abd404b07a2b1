"""What is owed to whom, and the threads that hand it over: retries, order, health of each outlet."""
