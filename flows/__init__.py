"""The edge: the command line, the Prefect flows and the engine that runs the work."""
