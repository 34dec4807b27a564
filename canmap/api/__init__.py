"""What a program calls: a module a job."""
