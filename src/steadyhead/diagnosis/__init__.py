"""From evidence to one answer, its likely causes and the checks to do."""
