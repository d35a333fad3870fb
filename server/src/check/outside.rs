//! Every stamp that is kept: of the checkpoint beside it, by an authority under the roots beside it.

use uuid::Uuid;

use super::Report;
use crate::ledger::Ledger;
use crate::outside::stamping;

pub(super) fn stamps(ledger: &Ledger, shop: Uuid, report: &mut Report) {
    match ledger.originals().outside_list(shop, stamping::FOLDER, stamping::ANSWER) {
        Ok(list) => {
            for of in list {
                if let Err(e) = stamping::kept(ledger.originals(), shop, of) {
                    report.faults.push(format!("the time stamp of checkpoint {}/{}: {e}", of.0, of.1));
                }
            }
        }
        Err(e) => report.faults.push(format!("shop {shop}: the time stamps cannot be listed ({e})")),
    }
}
