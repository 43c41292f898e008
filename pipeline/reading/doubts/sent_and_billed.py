"""Headings of columns that tell whether work was done here by being filled: to whom a patient was sent on, and the
number or day of a bill.

In eleven languages, from memory: common practice, no source.
"""

# To whom a patient was sent on: where it is filled, the work was done there. Who sent the patient here is another
# thing.
SENT_ON = (
    "referred to|referred out|referred out to|refer to|referral to|referral out|sent to|ref to|referred to specialist|"
    "ueberwiesen an|ueberweisung an|adresse a|adresse au|oriente vers|derivado a|remitido a|referido a|"
    "verwezen naar|doorverwezen naar|inviato a|encaminhado a|encaminhado para"
)
# The number or day of a bill, which work that was done has; beside others one without it may be a plan.
BILLS = (
    "invoice|invoice no|invoice nr|invoice number|invoice num|invoice id|invoice date|invoiced|inv no|inv nr|bill no|"
    "bill nr|bill number|date billed|billed|rechnung|rechnungsnr|rechnungsnummer|rechnung nr|rechnungsdatum|"
    "rechnungs nr|re nr|facture|no facture|n facture|num facture|numero facture|numero de facture|date facture|"
    "date de facture|factura|no factura|n factura|num factura|numero factura|numero de factura|fecha factura|"
    "factuur|factuurnr|factuurnummer|factuur nr|factuurdatum|fattura|n fattura|num fattura|numero fattura|"
    "data fattura|fatura|n fatura|numero da fatura|data fatura|faktura|fakturanr|faktura nr|fakturanummer|nr faktury|"
    "cislo faktury|szamlaszam|fatura no"
)
