"""What measured readings mean in service: run time, ageing, range, exposure distance."""
