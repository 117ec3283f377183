"""The job file: keys, checks, and the data classes that later rooms use."""
