//! How the C library keeps memory. FFmpeg, OpenCV and Rust all take theirs from it.

/// Lets all threads take memory from one pool. Left to itself glibc gives each thread one of its own, which keeps what that thread once
/// needed: what one thread frees another cannot have, and a day of takes holds a seventh more. On two threads it costs no time that can be
/// measured: a take asks some fifty thousand times a second, mostly for little, which a thread has at hand. To be called before threads are
/// started; other C libraries are left as they are.
pub fn share_one_pool() {
    #[cfg(all(target_os = "linux", target_env = "gnu"))]
    {
        use std::ffi::c_int;
        /// Most pools: number as in malloc.h.
        const M_ARENA_MAX: c_int = -8;
        unsafe extern "C" {
            fn mallopt(param: c_int, value: c_int) -> c_int;
        }
        // Sound: mallopt(3) may be called at any time; what it refuses stays as it was.
        unsafe { mallopt(M_ARENA_MAX, 1) };
    }
}
