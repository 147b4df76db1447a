"""The search for separate paths: graphs and risks as arrays, no studies."""
