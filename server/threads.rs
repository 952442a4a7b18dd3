//! Where the system runs a thread, and how eagerly. Where a system does not offer this, it only takes longer.

use tokio::sync::oneshot;

/// Computes on a thread of its own that gives way to all others, so that the floor is answered while a plan is made; nothing where the
/// computing failed.
pub async fn behind_the_floor<T: Send + 'static>(
    work: impl FnOnce() -> T + Send + 'static,
) -> Option<T> {
    let (done, told) = oneshot::channel();
    let thread = std::thread::Builder::new().spawn(move || {
        give_way();
        // Whoever no longer waits for it does not want it.
        let _ = done.send(work());
    });
    thread.ok()?;
    told.await.ok()
}

/// Keeps this thread, and those that it starts, on the core where it is.
#[cfg(target_os = "linux")]
pub fn stay_on_this_core() {
    let mut here = rustix::thread::CpuSet::new();
    here.set(rustix::thread::sched_getcpu());
    let _ = rustix::thread::sched_setaffinity(None, &here);
}

/// Keeps this thread where it is: not on this system.
#[cfg(not(target_os = "linux"))]
pub const fn stay_on_this_core() {}

/// Lets every other thread go before this one.
#[cfg(target_os = "linux")]
fn give_way() {
    let _ = rustix::process::nice(10);
}

#[cfg(not(target_os = "linux"))]
const fn give_way() {}
