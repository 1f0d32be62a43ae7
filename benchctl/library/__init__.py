"""What scripts and tests of one's own use; its names are those that `benchctl` itself exports."""
