"""What people write and read: engine descriptions, reasons, fuels."""
