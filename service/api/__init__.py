"""The HTTP API, one module for each kind of resource."""
