//! Something for each hour, close together: a season of a rack is tens of thousands of hours, which
//! a tree would spread over twice the memory.

/// In the order of the hours.
#[derive(Clone, Debug)]
pub(super) struct Hours<T>(Vec<(i64, T)>);

/// Room is made for so many hours at a time, instead of for as many again as there are.
const MORE: usize = 8;

impl<T> Hours<T> {
    pub(super) const fn new() -> Self {
        Self(Vec::new())
    }

    fn place(&self, hour: i64) -> usize {
        // Nearly always the newest hour is asked for, or one that comes after it.
        match self.0.last() {
            Some((last, _)) if *last < hour => self.0.len(),
            Some((last, _)) if *last == hour => self.0.len() - 1,
            _ => self.0.partition_point(|(there, _)| *there < hour),
        }
    }

    pub(super) fn get(&self, hour: i64) -> Option<&T> {
        self.0.get(self.place(hour)).filter(|(there, _)| *there == hour).map(|(_, what)| what)
    }

    pub(super) fn get_mut(&mut self, hour: i64) -> Option<&mut T> {
        let place = self.place(hour);
        self.0.get_mut(place).filter(|(there, _)| *there == hour).map(|(_, what)| what)
    }

    /// Puts it in the place of what was there.
    pub(super) fn insert(&mut self, hour: i64, what: T) {
        if let Some(there) = self.get_mut(hour) {
            *there = what;
            return;
        }
        if self.0.len() == self.0.capacity() {
            self.0.reserve_exact(MORE);
        }
        self.0.insert(self.place(hour), (hour, what));
    }

    pub(super) fn remove(&mut self, hour: i64) {
        if self.get(hour).is_some() {
            self.0.remove(self.place(hour));
        }
    }

    /// Those before an hour.
    pub(super) fn before(&self, hour: i64) -> &[(i64, T)] {
        &self.0[..self.place(hour)]
    }

    /// The same, to be changed.
    pub(super) fn before_mut(&mut self, hour: i64) -> &mut [(i64, T)] {
        let place = self.place(hour);
        &mut self.0[..place]
    }

    /// Those from an hour on.
    pub(super) fn from(&self, hour: i64) -> &[(i64, T)] {
        &self.0[self.place(hour)..]
    }

    /// All of them.
    pub(super) fn all(&self) -> &[(i64, T)] {
        &self.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeMap;

    /// A season grows by an hour at a time, and never holds more room than the next eight need.
    #[test]
    fn room_is_asked_for_once_in_eight_hours() {
        let mut hours = Hours::new();
        let (mut room, mut asked) = (0, 0);
        for hour in 0..480 {
            hours.insert(hour, ());
            if hours.0.capacity() != room {
                (room, asked) = (hours.0.capacity(), asked + 1);
            }
            assert!(room - hours.0.len() < MORE);
        }
        assert_eq!(asked, 60);
    }

    /// The standard library's map says what is right.
    #[test]
    fn hours_in_any_order_are_kept_as_a_map_keeps_them() {
        let (mut hours, mut map) = (Hours::new(), BTreeMap::new());
        for n in 0..5_000_i64 {
            let hour = (n * 7_919) % 613 - 300;
            match n % 5 {
                0 => {
                    hours.remove(hour);
                    map.remove(&hour);
                }
                _ => {
                    hours.insert(hour, n);
                    map.insert(hour, n);
                }
            }
            assert_eq!(hours.get(hour), map.get(&hour));
            assert_eq!(hours.get_mut(hour), map.get_mut(&hour));
            if n % 100 == 0 {
                let pairs = |all: &[(i64, i64)]| all.to_vec();
                let range = |range: std::collections::btree_map::Range<'_, i64, i64>| {
                    range.map(|(hour, n)| (*hour, *n)).collect::<Vec<_>>()
                };
                assert_eq!(pairs(hours.all()), range(map.range(..)));
                assert_eq!(pairs(hours.before(hour)), range(map.range(..hour)));
                assert_eq!(hours.before_mut(hour).len(), map.range(..hour).count());
                assert_eq!(pairs(hours.from(hour)), range(map.range(hour..)));
            }
        }
    }
}
