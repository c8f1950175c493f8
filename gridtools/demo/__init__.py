"""The demo job: an invented site, its inputs, and the commands to run."""
