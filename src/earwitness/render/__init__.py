"""Values of exhibits become pictures and markup."""
