import airquill_device.start  # noqa: F401
