"""What people see: tables and plots."""
