"""What stands on a report's page, block by block, before it is HTML or PDF."""
