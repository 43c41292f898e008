-- dump of the office's database
DROP TABLE IF EXISTS `work`;
CREATE TABLE `work` (`Chart` varchar(10), `Date` date DEFAULT NULL, `Code` char(5), `Th` int(11), `Note` text, PRIMARY KEY (`Chart`));
INSERT INTO `work` VALUES ('1042','2020-03-05','D2740',3,'said \'it aches\'; left'),('1042','2020-03-06','D3330',4,NULL);
INSERT INTO `work` VALUES ('1043','2021-04-07','D7140',5,'(see film)');
