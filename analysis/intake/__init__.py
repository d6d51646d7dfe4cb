"""Lab and spreadsheet files into records: sheets, columns and units, figures and days, the ledger."""
