"""Documents made from records: workbook, pictures, terminal tables, JSON. Nothing here reads the ledger itself."""
