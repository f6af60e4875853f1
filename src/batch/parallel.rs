//! The same work on each of many files, on all cores.

use std::sync::atomic::{AtomicUsize, Ordering};

/// Results in the order of the items. `state` makes what a core keeps from one item to the next, such as a buffer.
///
/// The cores are threads of their own and not those of the pool: a thread of the pool that waits for another pool (the
/// table library has one) takes up the next item meanwhile, and the next within that one, until its stack is full.
pub fn parallel_map<I: Sync, S, R: Send>(
    items: &[I],
    state: impl Fn() -> S + Sync,
    work: impl Fn(&mut S, &I) -> R + Sync,
) -> Vec<R> {
    let next = AtomicUsize::new(0);
    let one_core = || {
        let mut state = state();
        let mut done = Vec::new();
        loop {
            let at = next.fetch_add(1, Ordering::Relaxed);
            let Some(item) = items.get(at) else { return done };
            done.push((at, work(&mut state, item)));
        }
    };
    let cores = rayon::current_num_threads().min(items.len());
    let mut done: Vec<(usize, R)> = std::thread::scope(|scope| {
        let threads: Vec<_> = (0..cores).map(|_| scope.spawn(one_core)).collect();
        let joined = threads.into_iter().map(std::thread::ScopedJoinHandle::join);
        // A panic goes on where the work was asked for.
        let all = joined.flat_map(|done| done.unwrap_or_else(|panic| std::panic::resume_unwind(panic)));
        all.collect()
    });
    done.sort_unstable_by_key(|(at, _)| *at);
    done.into_iter().map(|(_, result)| result).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn results_come_in_the_order_of_the_items_and_state_is_kept() {
        let items: Vec<usize> = (0..1000).collect();
        let done = parallel_map(
            &items,
            || 0,
            |seen, i| {
                *seen += 1;
                (2 * i, *seen)
            },
        );
        assert!(done.iter().enumerate().all(|(i, (twice, _))| *twice == 2 * i));
        let cores = rayon::current_num_threads();
        assert!(done.iter().map(|(_, seen)| *seen).max().unwrap() >= 1000 / cores);
        assert!(parallel_map(&[0; 0], || (), |(), i: &i32| *i).is_empty());
    }

    #[test]
    fn no_thread_of_the_pool_works_on_an_item() {
        // Such a thread would take up the next item while it waits within one.
        let places = parallel_map(&[0; 64], || (), |(), _| rayon::current_thread_index());
        assert_eq!(places, [None; 64]);
    }

    #[test]
    fn a_panic_is_not_lost() {
        let fall = || parallel_map(&[1, 2, 3], || (), |(), i| assert!(*i < 3, "three"));
        let caught = std::panic::catch_unwind(fall).unwrap_err();
        assert_eq!(caught.downcast_ref::<&str>(), Some(&"three"));
    }
}
