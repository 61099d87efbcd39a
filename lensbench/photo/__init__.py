"""The only place that opens photographs."""
