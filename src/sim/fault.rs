//! What can be made to go wrong on purpose, through the control port.

/// A one-off misbehaviour of one way into the bench.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Fault {
    /// Close the connection instead of answering.
    Drop,
    /// Answer with bytes that mean nothing.
    Garbage,
    /// Stop in the middle of the next answer that is a binary block, then say nothing more.
    HalfBlock,
    /// The next trace has one point too few.
    WrongLength,
}
