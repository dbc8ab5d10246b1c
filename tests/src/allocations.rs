//! An allocator that counts, for checks that code allocates nothing.
//!
//! ```text
//!   #[global_allocator]
//!   static ALLOCATOR: Counting = Counting;
//! ```

use std::alloc::{GlobalAlloc, Layout, System};
use std::cell::Cell;

/// The system's allocator, which counts what each thread asks of it.
pub struct Counting;

thread_local! {
    static COUNT: Cell<u64> = const { Cell::new(0) };
}

fn count() {
    // A thread that is ending has no counter any more, and nothing to count.
    let _ = COUNT.try_with(|count| count.set(count.get() + 1));
}

// SAFETY: every call is the system's; counting touches a thread's own cell, which needs no allocation.
unsafe impl GlobalAlloc for Counting {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        count();
        // SAFETY: the caller's promises, passed on.
        unsafe { System.alloc(layout) }
    }

    unsafe fn dealloc(&self, memory: *mut u8, layout: Layout) {
        count();
        // SAFETY: the caller's promises, passed on.
        unsafe { System.dealloc(memory, layout) };
    }

    unsafe fn alloc_zeroed(&self, layout: Layout) -> *mut u8 {
        count();
        // SAFETY: the caller's promises, passed on.
        unsafe { System.alloc_zeroed(layout) }
    }

    unsafe fn realloc(&self, memory: *mut u8, layout: Layout, size: usize) -> *mut u8 {
        count();
        // SAFETY: the caller's promises, passed on.
        unsafe { System.realloc(memory, layout, size) }
    }
}

/// Allocations and releases of this thread during `f`.
pub fn counted<R>(f: impl FnOnce() -> R) -> (u64, R) {
    let before = COUNT.get();
    let result = f();
    (COUNT.get() - before, result)
}
