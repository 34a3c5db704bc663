"""Several services that share a fleet through PostgreSQL; docs/sharing.md says how and why."""
