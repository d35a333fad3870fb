//! Rows: facts, which name each row, and tables, which name each column.

use std::rc::Rc;

use super::{INK, Item, LINE, Look, Role, SOFT, Setter, look, spoken};
use crate::flow::{HEIGHT, Strip, WIDTH};
use crate::lines::wrap;

const CELL: Look = look(8.0, false, INK);

impl Setter<'_> {
    pub(super) fn facts(&mut self, facts: &[(String, String)]) {
        self.above = 6.0;
        let table = self.node(0, Role::Table);
        let name = look(9.0, true, SOFT);
        for (label, value) in facts {
            let row = self.node(table, Role::Row);
            self.row(
                row,
                &[(label, name, Role::RowName, 0.29), (value, look(9.5, false, INK), Role::Cell, 0.71)],
                None,
            );
        }
    }

    pub(super) fn table(&mut self, columns: &[(String, f32)], rows: &[Vec<String>]) {
        self.above = 4.0;
        let table = self.node(0, Role::Table);
        let head: Vec<_> =
            columns.iter().map(|(name, share)| (name, look(8.0, true, INK), Role::ColumnName, *share)).collect();
        let (row, first) = (self.node(table, Role::Row), self.out.strips.len());
        self.row(row, &head, None);
        self.stick_from(first);
        // The same once more, to be drawn on further pages and read on none.
        let mut items: Vec<Item> = self.out.strips[first].items.clone();
        items.iter_mut().for_each(|i| {
            if let Item::Text { tag, .. } = i {
                *tag = None;
            }
        });
        let again = Rc::new(Strip { height: self.out.strips[first].height, items, ..Strip::default() });
        for cells in rows {
            let row = self.node(table, Role::Row);
            let cells: Vec<_> =
                cells.iter().zip(columns).map(|(c, (_, share))| (c, CELL, Role::Cell, *share)).collect();
            self.row(row, &cells, Some(&again));
        }
    }

    /// A row: whole while it is no higher than half a page, else line by line.
    fn row(&mut self, row: usize, cells: &[(&String, Look, Role, f32)], again: Option<&Rc<Strip>>) {
        const GAP: f32 = 6.0;
        let leading = cells.iter().map(|(_, look, ..)| look.leading()).fold(0.0, f32::max);
        let mut lines: Vec<Vec<(usize, Item)>> = Vec::new();
        let mut x = 0.0;
        for (cell, (text, look, role, share)) in cells.iter().enumerate() {
            let wide = share * WIDTH;
            let node = self.node(row, role.clone());
            let text = spoken(text);
            for (i, line) in wrap(look.face(self.faces), look.size, text, wide - GAP).iter().enumerate() {
                if lines.len() <= i {
                    lines.push(Vec::new());
                }
                let item = self.line(line, *look, x, Some(node));
                lines[i].extend(item.map(|item| (cell, item)));
            }
            x += wide;
        }
        let rule = |y: f32| Item::Rule { x: 0.0, y, w: WIDTH, h: 0.5, colour: LINE };
        let again = again.cloned();
        if lines.len() as f32 * leading <= HEIGHT / 2.0 {
            let height = lines.len() as f32 * leading + 5.0;
            let before = std::mem::take(&mut self.above);
            let mut placed: Vec<(usize, Item)> = Vec::new();
            for (i, line) in lines.into_iter().enumerate() {
                let lower = |(cell, item)| (cell, lowered(item, 2.0 + i as f32 * leading));
                placed.extend(line.into_iter().map(lower));
            }
            // Painted in the order in which it is read: cell by cell.
            placed.sort_by_key(|(cell, _)| *cell);
            let mut items: Vec<Item> = placed.into_iter().map(|(_, item)| item).collect();
            items.push(rule(height - 0.5));
            return self.push(Strip { before, height, again, items, ..Strip::default() });
        }
        let count = lines.len();
        for (i, line) in lines.into_iter().enumerate() {
            let mut items: Vec<Item> = line.into_iter().map(|(_, item)| item).collect();
            if i + 1 == count {
                items.push(rule(leading + 2.0));
            }
            self.push(Strip { height: leading, again: again.clone(), items, ..Strip::default() });
        }
    }
}

fn lowered(item: Item, by: f32) -> Item {
    match item {
        Item::Text { x, base, size, bold, colour, runs, tag } => {
            Item::Text { x, base: base + by, size, bold, colour, runs, tag }
        }
        other => other,
    }
}
