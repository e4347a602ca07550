"""The window: what a technician sees and presses during a job. A child process of the recorder."""
