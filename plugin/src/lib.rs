//! The thin shell.
