"""Sound: read from files, laid in time, evened out, mixed and brought to one loudness."""
