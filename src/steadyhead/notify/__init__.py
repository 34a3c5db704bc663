"""Who is told of what, by which way: rules, the outbox, and the threads that send."""
