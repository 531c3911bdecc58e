"""The two pages on this machine: the stage that the subject sees, the desk of the operator."""
