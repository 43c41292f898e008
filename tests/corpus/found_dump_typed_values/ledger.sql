SET IDENTITY_INSERT [dbo].[Ledger] ON
GO
INSERT [dbo].[Ledger] ([Chart], [Date], [Code], [Th]) VALUES (N'1001', CAST(N'2019-01-01' AS Date), N'D2740', 3)
GO
INSERT [dbo].[Ledger] ([Chart], [Date], [Code], [Th]) VALUES (N'1002', CAST(N'2019-02-02' AS Date), N'D3330', 14)
GO
INSERT [dbo].[Ledger] ([Chart], [Date], [Code], [Th]) VALUES (N'1003', CAST(N'2019-03-03' AS Date), N'D7140', 19)
GO
INSERT [dbo].[Ledger] ([Chart], [Date], [Code], [Th]) VALUES (N'1004', CAST(N'2019-04-04' AS Date), N'D2740', 30)
GO
INSERT [dbo].[Ledger] ([Chart], [Date], [Code], [Th]) VALUES (N'1005', CAST(N'2019-05-05' AS Date), N'D3330', 18)
GO
INSERT [dbo].[Ledger] ([Chart], [Date], [Code], [Th]) VALUES (N'1006', CAST(N'2019-06-06' AS Date), N'D7140', 3)
GO
INSERT [dbo].[Ledger] ([Chart], [Date], [Code], [Th]) VALUES (N'1007', CAST(N'2019-07-07' AS Date), N'D2740', 14)
GO
INSERT [dbo].[Ledger] ([Chart], [Date], [Code], [Th]) VALUES (N'1008', CAST(N'2019-08-08' AS Date), N'D3330', 19)
GO
INSERT [dbo].[Ledger] ([Chart], [Date], [Code], [Th]) VALUES (N'1009', CAST(N'2019-09-01' AS Date), N'D7140', 30)
GO
INSERT [dbo].[Ledger] ([Chart], [Date], [Code], [Th]) VALUES (N'1010', CAST(N'2019-01-02' AS Date), N'D2740', 18)
GO
