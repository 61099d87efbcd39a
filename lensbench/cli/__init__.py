"""One small module a command: options in, one call, print."""
