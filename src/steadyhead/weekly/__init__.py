"""The weekly health report: figures, work list and pages of one week of a fleet."""
